"""How every door reads and writes: one short transaction a method."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from sqlalchemy.orm import Session as OrmSession

from dataset.store.database import Database
from dataset.store.kept_sets import KeptSets

if TYPE_CHECKING:
    from dataset.store.server.database import ServerDatabase

T = TypeVar("T")


class Transactions:
    """Reads and writes an open store."""

    def __init__(self, database: Database | ServerDatabase) -> None:
        self._database = database
        place = database.place
        self._kept_sets = KeptSets(place if isinstance(place, Path) and place.is_absolute() else None)

    def _write(self, work: Callable[[OrmSession], T]) -> T:
        return self._database.write(work)

    def _read(self, work: Callable[[OrmSession], T]) -> T:
        with self._database.reading() as orm:
            return work(orm)
