"""How every door reads and writes: one short transaction a method."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from sqlalchemy.orm import Session as OrmSession

from dataset.store.database import Database

T = TypeVar("T")


class Transactions:
    """Reads and writes an open store."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def _write(self, work: Callable[[OrmSession], T]) -> T:
        with self._database.writing() as orm:
            return work(orm)

    def _read(self, work: Callable[[OrmSession], T]) -> T:
        with self._database.reading() as orm:
            return work(orm)
