"""Rows of a store on a server without the object-relational mapper, for lists."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, nullcontext
from typing import Any

from dataset.store.places import Address
from dataset.store.server.driver import connect


class Reader:
    """A connection that takes questions as SQLite's does."""

    def __init__(self, connection: Any) -> None:
        self._connection = connection

    def execute(self, query: str, values: Sequence[Any] = (), /) -> Any:
        """A cursor over the rows; each question mark of the query stands for one of the values."""
        return self._connection.execute(query.replace("?", "%s").encode(), tuple(values))

    def together(self, queries: Sequence[str], values: Sequence[Any]) -> list[list[Any]]:
        """The rows of several queries with the same values, in one way to the server and back where its
        library can.
        """
        from psycopg import Pipeline

        with self._connection.pipeline() if Pipeline.is_supported() else nullcontext():
            cursors = [self.execute(query, values) for query in queries]
            return [cursor.fetchall() for cursor in cursors]


@contextmanager
def reading(address: Address, timeout_s: float) -> Iterator[Reader]:
    """One consistent view; nothing is written."""
    from psycopg import IsolationLevel

    with closing(connect(address, timeout_s)) as connection:
        connection.isolation_level, connection.read_only = IsolationLevel.REPEATABLE_READ, True
        yield Reader(connection)
