"""Another bench's store, in a file or on a server, opened to be read: nothing in it changes, and nothing is
left beside it.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sqlalchemy import Connection, NullPool, create_engine, event

from dataset.errors import StoreError
from dataset.files.scratch import scratch_folder
from dataset.store.database import History, revision_of, translated, upgrade
from dataset.store.places import Address, Place
from dataset.store.reachable import DISTRUSTING, only_readable

Connect = Callable[[], sqlite3.Connection]


@contextmanager
def reading_other(path: Place, timeout_s: float, history: History) -> Iterator[Connection]:
    """One consistent view of the store at ``path``; a file of an older revision is copied, and the copy
    upgraded.

    Raises:
        StoreError: there is no such file, it is not a store, was made by a newer version, or cannot be read.
    """
    if isinstance(path, Address):
        from dataset.store.server.database import open_server

        with closing(open_server(path, timeout_s, history)) as server, server.reading() as orm:
            yield orm.connection()
        return
    if not path.exists():
        raise StoreError(str(path), "there is no such file", "the store of the other bench")
    connect = _reader(path, timeout_s)
    if revision_of(path, timeout_s, history, connect) == history.head:
        with _connection(path, connect, timeout_s) as connection:
            yield connection
        return
    with scratch_folder() as folder:
        copy = folder / "other.db"
        with (
            translated(path, timeout_s),
            closing(connect()) as source,
            closing(sqlite3.connect(copy)) as target,
        ):
            source.backup(target)
        bench = hashlib.sha256(copy.read_bytes()).hexdigest()[:32]  # merged twice, it is the same bench
        upgrade(copy, timeout_s=timeout_s, history=history, keep_copy=False, bench=bench)
        with _connection(path, _reader(copy, timeout_s), timeout_s) as connection:
            yield connection


def _reader(path: Path, timeout_s: float) -> Connect:
    def connect() -> sqlite3.Connection:
        if only_readable(path):
            mode = "immutable=1"  # nobody can write it, and nothing can be kept beside it
        elif path.with_name(f"{path.name}-wal").exists():
            mode = "mode=ro"  # what waits in there is for its own processes to write into the file
        else:
            # SQLite keeps two files beside a store while it reads; only so are they removed again
            mode = "mode=rw"
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?{mode}", uri=True, timeout=timeout_s, isolation_level=None
        )
        for pragma in ("PRAGMA query_only=ON", DISTRUSTING, "PRAGMA cell_size_check=ON"):
            connection.execute(pragma)
        return connection

    return connect


@contextmanager
def _connection(path: Path, connect: Connect, timeout_s: float) -> Iterator[Connection]:
    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)
    event.listen(engine, "begin", _begin)
    with translated(path, timeout_s), engine.connect() as connection, connection.begin():
        yield connection


def _begin(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN")
