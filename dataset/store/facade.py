"""The store: everything that is registered, captured, frozen, trained and exported, in one SQLite file or
in a database on a PostgreSQL server.

Every method is one short transaction. Records go in and come out; rows never do. A method that adds either
did all of it or nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType

from sqlalchemy import String, column, select, table
from sqlalchemy.orm import Session as OrmSession

from dataset.admission.rules import check_identity
from dataset.errors import InputError, StoreError
from dataset.exchange.report import Exchanged
from dataset.files.scratch import scratch_folder
from dataset.store.database import HISTORY, TIMEOUT_S, Database, History, in_memory, prepare
from dataset.store.doors.bench_tools import BenchDoor
from dataset.store.doors.captures import CapturesDoor
from dataset.store.doors.exchange import ExchangeDoor
from dataset.store.doors.pages import PagesDoor
from dataset.store.doors.queue import QueueDoor
from dataset.store.doors.registry import RegistryDoor
from dataset.store.doors.releases import ReleasesDoor
from dataset.store.doors.results import ResultsDoor
from dataset.store.doors.sessions import SessionsDoor
from dataset.store.doors.sets import SetsDoor
from dataset.store.doors.team import TeamDoor
from dataset.store.events import as_text
from dataset.store.exchange.merging import SameUnit, merge
from dataset.store.places import USERS, Address, Place, place_of
from dataset.store.whole import texts
from dataset.store.whole.other_store import reading_other
from dataset.store.whole.texts import TextReport
from dataset.text.events import read_events
from dataset.text.read import read_text


class Store(
    RegistryDoor,
    BenchDoor,
    SessionsDoor,
    CapturesDoor,
    SetsDoor,
    ResultsDoor,
    ReleasesDoor,
    PagesDoor,
    ExchangeDoor,
    TeamDoor,
    QueueDoor,
):
    """An open store. Use :meth:`open`; as a context manager it closes itself."""

    @classmethod
    def open(
        cls,
        path: Path | str | Address,
        *,
        timeout_s: float = TIMEOUT_S,
        history: History = HISTORY,
        bench: str | None = None,
        users: int = USERS,
    ) -> Store:
        """Open the store at ``path``. A file that does not exist is made, an older one upgraded after a copy
        was kept beside it; on a server both are for :func:`dataset.store.server.database.upgrade_server`.

        Args:
            path: the file, or ``postgresql+psycopg://USER@HOST/DATABASE``.
            timeout_s: how long to wait, in seconds, while another process writes.
            history: the revisions of the schema; only tests give another.
            bench: the identity of a new file's bench, 32 hexadecimal digits; None takes a random one. A
                store that is there keeps its own.
            users: on a server, how many threads of this process may read and write at the same time, each on
                a connection.

        Raises:
            StoreError: no store, made by a newer version, damaged, busy, or not readable.
        """
        if bench is not None:
            check_identity("bench", bench)
        place = place_of(path)
        if isinstance(place, Address):
            from dataset.store.server.database import open_server

            return cls(open_server(place, timeout_s, history, users))
        where = place.absolute()
        prepare(where, timeout_s=timeout_s, history=history, bench=bench)
        return cls(Database(where, timeout_s))

    @classmethod
    def in_memory(cls) -> Store:
        """A new store that no file holds and that is gone when it is closed: for trying things. One thread at
        a time may use it.
        """
        return cls(in_memory())

    @property
    def place(self) -> Place:
        """The file, or the address on a server, which shows no password."""
        return self._database.place

    @property
    def path(self) -> Path:
        """The file, absolute; ``:memory:`` for a store in memory. StoreError for a store on a server."""
        if isinstance(self.place, Address):
            raise StoreError(str(self.place), "is on a server", "a store in a file")
        return self.place

    def is_newest(self) -> bool:
        """Whether it is of the newest revision: one on a server may be upgraded while it is open."""
        stands = select(column("version_num", String)).select_from(table("alembic_version"))
        return self._read(lambda orm: orm.scalar(stands)) == HISTORY.head

    def close(self) -> None:
        """Let go of the file, or of the server."""
        self._database.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    # -- another store ---------------------------------------------------------------------------------------

    def merge(
        self,
        path: Path | str | Address,
        *,
        dry_run: bool = False,
        progress: Callable[[str, int, int], None] | None = None,
        same_units: Sequence[SameUnit] = (),
    ) -> Exchanged:
        """Bring in what the store at ``path`` has and this one has not: all of it or nothing; the other is
        never changed.

        Args:
            path: the other store, a file or on a server; a file of an older revision is copied and the copy
                upgraded.
            dry_run: find out what would come in, and write nothing.
            progress: called with (what, done, total).
            same_units: units that are one sample although each store registered one of its own: the name
                here, the name there, and how somebody knows.

        Raises:
            InputError: the stores contradict each other, or are the same file.
            StoreError: the other file cannot be used.
        """
        other = place_of(path)
        if isinstance(other, Path):
            other = other.absolute()
        if _same(other, self.place):
            raise InputError(str(other), "is the store itself", "the store of the other bench")
        here, there = (p.name if other.name != self.place.name else str(p) for p in (self.place, other))

        def work(orm: OrmSession) -> Exchanged:
            report = merge(orm, here, theirs, there, progress, same_units)
            if dry_run:
                orm.rollback()
            return report

        with reading_other(other, self._database.timeout_s, HISTORY) as theirs:
            return self._write(work)

    # -- plain text ------------------------------------------------------------------------------------------

    def to_text(self) -> dict[str, str]:
        """Registry, limits and marks as text files, by their path in a folder; see
        :mod:`dataset.text.write`.
        """
        return self._read(texts.collect)

    def from_text(self, files: Mapping[str, str]) -> TextReport:
        """Bring in what text files hold and this store has not: all of it or nothing, as :meth:`merge` does
        with another store.

        Raises:
            InputError: a file that cannot be read, marks that do not have their hash, or text that
                contradicts the store.
        """
        content, said = read_text(files), read_events(files)
        bench = self.bench().identity  # of units for which the text names no other
        with scratch_folder() as folder, Store.open(folder / "text.db", bench=bench) as aside:
            aside._write(lambda orm: texts.add_registry(orm, content.registry))
            aside._write(lambda orm: as_text.add_events(orm, said))
            with reading_other(aside.path, TIMEOUT_S, HISTORY) as theirs:

                def work(orm: OrmSession) -> TextReport:
                    report = merge(orm, self.place.name, theirs, "the text")
                    return texts.add_revisions(orm, content, said, report)

                return self._write(work)


def _same(one: Place, other: Place) -> bool:
    """Whether two places are known to be one store."""
    if isinstance(one, Address) or isinstance(other, Address):
        return one == other
    return one.exists() and one.samefile(other)
