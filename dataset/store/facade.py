"""The store: everything that is registered, captured, frozen, trained and exported, in one SQLite file.

Every method is one short transaction. Records go in and come out; rows never do. A method that adds either
did all of it or nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType

from dataset.admission.rules import check_identity
from dataset.errors import InputError
from dataset.files.scratch import scratch_folder
from dataset.store import merging
from dataset.store.database import HISTORY, TIMEOUT_S, Database, History, in_memory, prepare
from dataset.store.doors.bench_tools import BenchDoor
from dataset.store.doors.captures import CapturesDoor
from dataset.store.doors.exchange import ExchangeDoor
from dataset.store.doors.registry import RegistryDoor
from dataset.store.doors.results import ResultsDoor
from dataset.store.doors.sessions import SessionsDoor
from dataset.store.doors.sets import SetsDoor
from dataset.store.events import as_text
from dataset.store.merging import MergeReport, SameUnit
from dataset.store.whole import texts
from dataset.store.whole.other_store import reading_other
from dataset.store.whole.texts import TextReport
from dataset.text.events import read_events
from dataset.text.read import read_text


class Store(RegistryDoor, BenchDoor, SessionsDoor, CapturesDoor, SetsDoor, ResultsDoor, ExchangeDoor):
    """An open store. Use :meth:`open`; as a context manager it closes itself."""

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        timeout_s: float = TIMEOUT_S,
        history: History = HISTORY,
        bench: str | None = None,
    ) -> Store:
        """Open the store at ``path``; one that does not exist is made, an older one upgraded after a copy was
        kept beside it.

        Args:
            path: the file.
            timeout_s: how long to wait, in seconds, while another process writes.
            history: the revisions of the schema; only tests give another.
            bench: the identity of a new store's bench, 32 hexadecimal digits; None takes a random one. A
                store that is there keeps its own.

        Raises:
            StoreError: no store, made by a newer version, damaged, busy, or not readable.
        """
        where = Path(path).absolute()
        if bench is not None:
            check_identity("bench", bench)
        prepare(where, timeout_s=timeout_s, history=history, bench=bench)
        return cls(Database(where, timeout_s))

    @classmethod
    def in_memory(cls) -> Store:
        """A new store that no file holds and that is gone when it is closed: for trying things. One thread at
        a time may use it.
        """
        return cls(in_memory())

    @property
    def path(self) -> Path:
        """The file, absolute; ``:memory:`` for a store in memory."""
        return self._database.path

    def close(self) -> None:
        """Let go of the file."""
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
        path: Path | str,
        *,
        dry_run: bool = False,
        progress: Callable[[str, int, int], None] | None = None,
        same_units: Sequence[SameUnit] = (),
    ) -> MergeReport:
        """Bring in what the store at ``path`` has and this one has not: all of it or nothing; the other is
        never changed.

        Args:
            path: the other store; one of an older revision is copied and the copy upgraded.
            dry_run: find out what would come in, and write nothing.
            progress: called with (what, done, total).
            same_units: units that are one sample although each store registered one of its own: the name
                here, the name there, and how somebody knows.

        Raises:
            InputError: the stores contradict each other, or are the same file.
            StoreError: the other file cannot be used.
        """
        other = Path(path).absolute()
        if other.exists() and other.samefile(self.path):
            raise InputError(str(path), "is the store itself", "the store of the other bench")
        here, there = (p.name if other.name != self.path.name else str(p) for p in (self.path, other))
        with (
            reading_other(other, self._database.timeout_s, HISTORY) as theirs,
            self._database.writing() as orm,
        ):
            report = merging.merge(orm, here, theirs, there, progress, same_units)
            if dry_run:
                orm.rollback()
            return report

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
            with reading_other(aside.path, TIMEOUT_S, HISTORY) as theirs, self._database.writing() as orm:
                report = merging.merge(orm, self.path.name, theirs, "the text")
                return texts.add_revisions(orm, content, said, report)
