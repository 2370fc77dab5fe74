"""The SQLite file behind a store: made, recognised, upgraded, and opened for reading and writing."""

from __future__ import annotations

import logging
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import Connection, Dialect, Engine, NullPool, StaticPool, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session as OrmSession
from sqlalchemy.util import LRUCache

import migrations
from dataset.errors import StoreBusyError, StoreError
from dataset.files.scratch import scratch_folder
from dataset.store.reachable import APPLICATION_ID, only_readable
from dataset.store.reachable import connect as open_file
from dataset.store.reading.rows import Rows

if TYPE_CHECKING:
    from alembic.config import Config

TIMEOUT_S = 10.0
MOST_COMPILED = 1000  # statements, twice what one engine keeps by itself
T = TypeVar("T")
WAL = "PRAGMA journal_mode=WAL"

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class History:
    """The revisions a version of the tool knows, oldest first, and the folders they lie in."""

    revisions: tuple[str, ...] = migrations.REVISIONS
    folders: tuple[Path, ...] = (Path(migrations.__path__[0]) / "versions",)

    @property
    def head(self) -> str:
        return self.revisions[-1]


HISTORY = History()


def migration_config(
    path: Path | None, *, timeout_s: float = TIMEOUT_S, history: History = HISTORY
) -> Config:
    """Alembic's configuration for the store at ``path``, made in code: the scripts are the installed
    ``migrations`` package. None is for a store on a server, whose connection is handed over.
    """
    from alembic.config import Config

    config = Config(
        stdout=sys.stdout
    )  # the default is what was there when Alembic was first imported, which may be closed by now
    config.set_main_option("path_separator", "newline")
    config.set_main_option("script_location", _plain(Path(migrations.__path__[0])))
    config.set_main_option("version_locations", "\n".join(_plain(folder) for folder in history.folders))
    config.attributes["database"] = path
    config.attributes["timeout_s"] = timeout_s
    return config


def _plain(path: Path) -> str:
    return str(path).replace("%", "%%")  # the configuration interpolates


def prepare(
    path: Path, *, timeout_s: float = TIMEOUT_S, history: History = HISTORY, bench: str | None = None
) -> None:
    """Make the store at ``path``, or bring it to the newest revision, or say why it cannot be used.

    An older store is copied first; the copy stands beside it and carries the old revision in its name.
    ``bench`` is the identity of a new store's bench; None takes a random one.

    Raises:
        StoreError: not a store, made by a newer version, not readable, or busy.
    """
    try:
        size = path.stat().st_size
    except FileNotFoundError:
        size = 0
    except OSError as error:
        raise StoreError(str(path), f"cannot be reached ({error.strerror})") from error
    if size > 0:
        revision = revision_of(path, timeout_s, history)
        if revision == history.head:
            return
        if only_readable(path):
            raise StoreError(
                str(path),
                f"is of revision {revision}, older than {history.head}, and its folder cannot be written",
                "",
                "copy it to a folder that can be written; the copy is upgraded when it is opened",
            )
    elif not path.parent.is_dir():
        raise StoreError(
            str(path),
            f"the folder {path.parent} does not exist",
            "",
            "make the folder first, or name another store",
        )
    upgrade(path, timeout_s=timeout_s, history=history, bench=bench)


def upgrade(
    path: Path,
    revision: str = "head",
    *,
    timeout_s: float = TIMEOUT_S,
    history: History = HISTORY,
    keep_copy: bool = True,
    bench: str | None = None,
) -> None:
    """Run the migrations up to ``revision``; the database changes whole or not at all, and a copy of it stays
    (``keep_copy``). ``bench`` is that of a store in which nothing was captured yet; None takes a random one.
    """
    from alembic import command

    config = migration_config(path, timeout_s=timeout_s, history=history)

    kept: list[tuple[str, Path]] = []

    def before(current: str | None) -> None:
        # the write lock is held: nothing can change between the copy and the upgrade, or upgrade a second
        # time
        if keep_copy and current is not None and current != history.head:
            kept.append((current, _keep_copy(path, current)))

    config.attributes |= {"before": before, "bench": bench}
    with translated(path, timeout_s):
        command.upgrade(config, revision)
        with closing(sqlite3.connect(path, timeout=timeout_s)) as connection:
            connection.execute(WAL)  # kept in the file; impossible inside the transaction of the upgrade
    for current, copy in kept:
        log.warning(
            "store %s: upgraded from revision %s to %s; the store as it was is kept as %s",
            path,
            current,
            history.head,
            copy.name,
        )


def _keep_copy(path: Path, revision: str) -> Path:
    """Copy the database beside itself through SQLite's backup interface, whole or not at all, never over a
    copy that is there.
    """
    try:
        folder = Path(mkdtemp(prefix=f".{path.name}.", dir=path.parent))
    except OSError as error:
        raise StoreError(
            str(path), f"the copy before the upgrade cannot be written ({error.strerror})"
        ) from error
    try:
        whole = folder / "copy.db"
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(whole)) as target:
            source.backup(target)
        number = 1
        while (
            copy := path.with_name(f"{path.name}.{revision}.copy" + (f"{number}" if number > 1 else ""))
        ).exists():
            number += 1
        whole.chmod(path.stat().st_mode & 0o777)
        whole.rename(copy)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return copy


def no_such_file(path: Path) -> StoreError:
    """What is said where a store was to be and there is none."""
    return StoreError(
        str(path),
        "there is no such file",
        "a store",
        "name another file with store_path",
        fields=("store_path",),
    )


def revision_of(
    path: Path, timeout_s: float, history: History, connect: Callable[[], sqlite3.Connection] | None = None
) -> str:
    """The revision of the store at ``path``, opened by ``connect``; StoreError when it is not a store, or one
    of a newer version.
    """
    no_store = StoreError(
        str(path),
        "is not a store of innage",
        "a file made by innage",
        "name another file with store_path",
        fields=("store_path",),
    )
    if not path.is_file():
        raise no_store
    try:
        with path.open("rb") as file:
            head = file.read(72)
    except OSError as error:
        raise StoreError(str(path), f"cannot be read ({error.strerror})") from error
    if not head.startswith(b"SQLite format 3\0"):
        raise no_store
    with (
        translated(path, timeout_s),
        closing(connect() if connect else open_file(path, timeout_s)) as connection,
    ):
        try:
            (application,) = connection.execute("PRAGMA application_id").fetchone()
            rows = (
                connection.execute("SELECT version_num FROM alembic_version").fetchall()
                if application == APPLICATION_ID
                else []
            )
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            busy = isinstance(error, sqlite3.OperationalError) and "no such table" not in str(error)
            if busy or (is_damage(error) and int.from_bytes(head[68:72], "big") == APPLICATION_ID):
                raise
            raise no_store from error
    if len(rows) != 1:
        raise no_store
    revision = str(rows[0][0])
    if revision not in history.revisions:
        known = f"at most {history.head}"
        raise StoreError(
            str(path),
            f"was written by a newer version of innage (revision {revision})",
            known,
            "install that version; the store is as it was",
        )
    return revision


@contextmanager
def translated(path: Path, timeout_s: float) -> Iterator[None]:
    """Turn errors of the driver into a StoreError that says what to do."""
    try:
        yield
    except (DBAPIError, sqlite3.Error, UnicodeDecodeError) as error:
        cause = error.orig if isinstance(error, DBAPIError) else error
        text = str(cause)
        if "locked" in text or "busy" in text:
            raise StoreBusyError(
                str(path),
                f"another process was writing to it for more than {timeout_s:g} s",
                "",
                "nothing was changed; try again when the other process is done",
            ) from error
        if text.startswith("unsafe use of"):
            raise StoreError(
                str(path),
                f"a view or trigger in it reaches for more than its tables ({text})",
                "a store as innage made it",
                "somebody prepared it: do not use this file",
            ) from error
        if is_damage(cause):
            raise StoreError(
                str(path),
                f"the file is damaged ({text})",
                "",
                "see what is lost with integrity.check; backup.restore puts a backup in its place",
                fields=("integrity.check", "backup.restore"),
            ) from error
        if text.startswith("no such table"):
            raise StoreError(
                str(path),
                f"tables of the store are gone from the file ({text})",
                "",
                "it was moved away or replaced while it was in use: put it back, then look it over with "
                "integrity.check",
                fields=("integrity.check",),
            ) from error
        if "readonly" in text or "unable to open" in text or "full" in text or "disk I/O" in text:
            raise StoreError(
                str(path),
                f"cannot be written ({text})",
                "",
                "check the file's permissions and the free space",
            ) from error
        raise StoreError(str(path), text) from error


class Database:
    """An open store: short reading and writing transactions, each on a connection of its own, or on ``only``:
    that to a store in memory, or one for as long as a file is read from end to end.
    """

    def __init__(
        self, path: Path, timeout_s: float = TIMEOUT_S, only: sqlite3.Connection | None = None
    ) -> None:
        self.place, self.timeout_s = path, timeout_s
        self._reader: Engine = (
            _engine(poolclass=NullPool, creator=lambda: open_file(path, timeout_s))
            if only is None
            else _engine(poolclass=StaticPool, creator=lambda: only)
        )
        if not only_readable(path):
            event.listen(self._reader, "connect", _configure)
        event.listen(self._reader, "begin", _begin)
        self._writer = self._reader.execution_options(innage_writes=True)
        self._only = only

    @contextmanager
    def reading(self) -> Iterator[OrmSession]:
        """One consistent view; nothing is written."""
        with translated(self.place, self.timeout_s), OrmSession(self._reader) as session, session.begin():
            yield session

    @contextmanager
    def rows(self, *, whole: bool = False) -> Iterator[Rows]:
        """One consistent view without the mapper; nothing is written."""
        if self._only is not None:
            with self.reading():
                yield Rows(self._only, whole=whole)
            return
        with (
            translated(self.place, self.timeout_s),
            closing(open_file(self.place, self.timeout_s)) as connection,
        ):
            connection.execute("BEGIN")
            yield Rows(connection, whole=whole)

    @contextmanager
    def writing(self) -> Iterator[OrmSession]:
        """One transaction: everything or, on any error, nothing."""
        with (
            translated(self.place, self.timeout_s),
            OrmSession(self._writer, expire_on_commit=False) as session,
            session.begin(),
        ):
            yield session

    def write(self, work: Callable[[OrmSession], T]) -> T:
        """The outcome of ``work`` in one writing transaction."""
        with self.writing() as session:
            return work(session)

    def close(self) -> None:
        """Let go of the file."""
        self._reader.dispose()


@cache
def _compiled() -> tuple[Dialect, LRUCache[Any, Any]]:
    """The dialect of all open files, and by it the SQL that was compiled for any of them."""
    first = create_engine("sqlite://")
    first.connect().close()  # the dialect asks the driver once
    first.dispose()
    return first.dialect, LRUCache(MOST_COMPILED)


def _engine(**how: Any) -> Engine:
    engine = create_engine("sqlite://", **how)
    engine.dialect, compiled = _compiled()
    return engine.execution_options(compiled_cache=compiled)


def rows_of(orm: OrmSession) -> Rows:
    """What a transaction sees, without the mapper: what it has flushed, too."""
    connection = orm.connection()
    driver: Any = connection.connection.driver_connection
    if connection.dialect.name == "sqlite":
        return Rows(driver)
    from dataset.store.server.reading import Reader

    return Rows(Reader(driver), dialect="postgresql")


def in_memory() -> Database:
    """A new store that is gone when it is closed: the migrations make a file, which is read into memory."""
    memory = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    with scratch_folder() as folder:
        file = folder / "new.db"
        upgrade(file)
        with closing(sqlite3.connect(file)) as source:
            source.backup(memory)
    return Database(Path(":memory:"), only=memory)


def _configure(driver_connection: Any, _record: object) -> None:
    """WAL lets readers go on while one writes; FULL means that what was reported saved survives
    a power cut.
    """
    (mode,) = driver_connection.execute("PRAGMA journal_mode").fetchone()
    if mode != "wal":
        driver_connection.execute(WAL)
    driver_connection.execute("PRAGMA synchronous=FULL")
    driver_connection.execute("PRAGMA foreign_keys=ON")


def _begin(connection: Connection) -> None:
    # a writer takes the lock at once: upgrading a reader's lock later could fail after work was done
    connection.exec_driver_sql(
        "BEGIN IMMEDIATE" if connection.get_execution_options().get("innage_writes") else "BEGIN"
    )


def is_damage(error: BaseException | None) -> bool:
    """Whether the driver says that the file's content is broken; a broken name inside one of its own messages
    does not even decode.
    """
    return (
        isinstance(error, UnicodeDecodeError) or "malformed" in str(error) or "not a database" in str(error)
    )
