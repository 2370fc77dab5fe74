"""A store on a server: recognised, made and upgraded, and opened for reading and writing.

A file of SQLite has one writer at a time, and the code that reads before it writes rests on that. Here a
writing transaction takes an advisory lock first, in READ COMMITTED, so that each of its statements sees what
the writer before it committed; a snapshot from before the wait would not. Readers wait for nobody: each has
one consistent view (REPEATABLE READ, read only).
"""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from sqlalchemy import Connection, NullPool, create_engine
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import StoreError
from dataset.store.database import HISTORY, TIMEOUT_S, History, migration_config
from dataset.store.places import USERS, Address
from dataset.store.reading.rows import Rows
from dataset.store.server import schema
from dataset.store.server.driver import TRY_AGAIN, connect, driver, driver_error, is_lost, state_of, told
from dataset.store.server.reading import Reader

MOST_TRIES = 5
PAUSE_S = 0.05  # before the second try, doubled before each further one; up to twice that is drawn
WRITER = 0x696E6E61  # the advisory lock of whoever writes, makes or upgrades
LOCK = f"SELECT pg_advisory_xact_lock({WRITER})"
_VERSION = "alembic_version"
T = TypeVar("T")

log = logging.getLogger(__name__)


class ServerDatabase:
    """An open store on a server: short reading and writing transactions on the connections of a pool."""

    def __init__(self, address: Address, timeout_s: float = TIMEOUT_S, users: int = USERS) -> None:
        self.place, self.timeout_s = address, timeout_s
        engine = create_engine(
            "postgresql+psycopg://",
            module=driver(address),
            creator=lambda: connect(address, timeout_s),
            pool_size=users,
            max_overflow=0,
            pool_timeout=timeout_s,
            pool_pre_ping=True,  # one that broke while nobody used it is replaced
            use_native_hstore=False,  # would ask the server on each connection
        )
        self._engine = engine
        self._reader = engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        self._writer = engine.execution_options(isolation_level="READ COMMITTED")

    @contextmanager
    def reading(self) -> Iterator[OrmSession]:
        """One consistent view; nothing is written."""
        with told(self.place, self.timeout_s), OrmSession(self._reader) as session, session.begin():
            yield session

    @contextmanager
    def rows(self, *, whole: bool = False) -> Iterator[Rows]:
        """One consistent view without the mapper; nothing is written."""
        with self.reading() as orm:
            driver = orm.connection().connection.driver_connection
            yield Rows(Reader(driver), whole=whole, dialect="postgresql")

    @contextmanager
    def writing(self) -> Iterator[OrmSession]:
        """One transaction: everything or, on any error, nothing."""
        with told(self.place, self.timeout_s), self._one_try() as session:
            yield session

    def write(self, work: Callable[[OrmSession], T]) -> T:
        """The outcome of ``work`` in one writing transaction, done again whole where the server undid it for
        the sake of another.
        """
        with told(self.place, self.timeout_s):
            for tried in range(1, MOST_TRIES + 1):
                try:
                    with self._one_try() as session:
                        return work(session)
                except Exception as error:
                    cause = driver_error(error)
                    if cause is None or state_of(cause) not in TRY_AGAIN or tried == MOST_TRIES:
                        raise
                pause = PAUSE_S * 2 ** (tried - 1)
                time.sleep(pause * (1 + secrets.randbelow(1001) / 1000))  # two that clash part ways
        raise AssertionError("the last try raises or returns")

    @contextmanager
    def _one_try(self) -> Iterator[OrmSession]:
        with (
            _saved_or_not(self.place) as saving,
            OrmSession(self._writer, expire_on_commit=False) as session,
            session.begin(),
        ):
            session.connection().exec_driver_sql(LOCK)
            yield session
            session.flush()
            saving.append(True)

    def close(self) -> None:
        """Let go of the connections."""
        self._engine.dispose()


@contextmanager
def _saved_or_not(address: Address) -> Iterator[list[bool]]:
    """What breaks once something was put into the list, before the commit, may have broken after it."""
    saving: list[bool] = []
    try:
        yield saving
    except Exception as error:
        cause = driver_error(error)
        if saving and cause is not None and is_lost(cause):
            raise StoreError(
                str(address),
                "the connection broke while it was saved, so that nobody can say whether it was",
                "",
                "look whether it is there before you say it again",
            ) from None
        raise


def revision_of(address: Address, connection: Connection, history: History) -> str | None:
    """The revision of the store; None where the database is empty.

    Raises:
        StoreError: other tables are there, or a store of a newer version.
    """
    there = schema.tables_of(connection)
    if not there:
        return None
    revisions = (
        [str(row[0]) for row in connection.exec_driver_sql(f"SELECT version_num FROM {_VERSION}")]  # noqa: S608 - a name of ours
        if {_VERSION, "capture_session"} <= there
        else []
    )
    if len(revisions) != 1:
        raise StoreError(
            str(address),
            f"holds tables that are not those of a store (such as {min(there)})",
            "a store of innage, or a database for it alone",
            "name another with store_path",
            fields=("store_path",),
        )
    if revisions[0] not in history.revisions:
        raise StoreError(
            str(address),
            f"was written by a newer version of innage (revision {revisions[0]})",
            f"at most {history.head}",
            "install that version; the store is as it was",
        )
    return revisions[0]


def open_server(
    address: Address, timeout_s: float = TIMEOUT_S, history: History = HISTORY, users: int = USERS
) -> ServerDatabase:
    """The store at ``address``, opened; StoreError unless it is of the newest revision."""
    database = ServerDatabase(address, timeout_s, users)
    try:
        _check_revision(database, history)
    except BaseException:
        database.close()
        raise
    return database


def _check_revision(database: ServerDatabase, history: History) -> None:
    """A server is upgraded by a command only."""
    with database.reading() as orm:
        revision = revision_of(database.place, orm.connection(), history)
    if revision is None:
        raise StoreError(
            str(database.place),
            "the database is empty",
            "a store of innage",
            "make one in it with upgrade_store",
            fields=("upgrade_store",),
        )
    if revision != history.head:
        raise StoreError(
            str(database.place),
            f"is of revision {revision}",
            f"{history.head}, which this version of innage works with",
            "back it up, then use upgrade_store",
            fields=("upgrade_store",),
        )


def upgrade_server(
    address: Address,
    *,
    timeout_s: float = TIMEOUT_S,
    history: History = HISTORY,
    bench: str | None = None,
) -> str | None:
    """Make a store in the empty database at ``address``, or bring the one that is there to the newest
    revision: in one transaction, whole or not at all, while nobody else writes.

    Args:
        address: the database; its user must be allowed to make tables.
        timeout_s: how long to wait, in seconds, while another process writes.
        history: the revisions of the schema; only tests give another.
        bench: the identity of a new store's bench, 32 hexadecimal digits; None takes a random one.

    Returns:
        The revision that it was of; None where it was made.

    Raises:
        StoreError: the server cannot be used or refuses, other tables are there, a newer store, or the
            connection broke at the commit, which then happened or not.
    """
    engine = create_engine(
        "postgresql+psycopg://",
        module=driver(address),
        creator=lambda: connect(address, timeout_s),
        poolclass=NullPool,
        use_native_hstore=False,
    )
    with (
        told(address, timeout_s),
        _saved_or_not(address) as saving,
        engine.connect() as connection,
        connection.begin(),
    ):
        connection.exec_driver_sql(LOCK)
        _check_encoding(address, connection)
        before = revision_of(address, connection, history)
        if before is None:
            schema.make(connection, bench)
            _stamp(connection, HISTORY)
        if (before or HISTORY.head) != history.head:
            _migrate(connection, address, history)
        saving.append(True)
    return before


def _check_encoding(address: Address, connection: Connection) -> None:
    encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
    if encoding != "UTF8":
        raise StoreError(str(address), f"the database keeps text as {encoding}", "a database in UTF8")


def _stamp(connection: Connection, history: History) -> None:
    """Say, as Alembic does, of which revision the tables are."""
    from alembic.migration import MigrationContext
    from alembic.script import ScriptDirectory

    script = ScriptDirectory.from_config(migration_config(None, history=history))
    MigrationContext.configure(connection).stamp(script, history.head)


def _migrate(connection: Connection, address: Address, history: History) -> None:
    from alembic import command

    config = migration_config(None, history=history)
    config.attributes |= {"connection": connection, "database": str(address)}
    command.upgrade(config, "head")
