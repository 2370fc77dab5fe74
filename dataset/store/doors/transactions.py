"""How every door reads and writes: one short transaction a method."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Self, TypeVar
from weakref import WeakValueDictionary

from sqlalchemy.orm import Session as OrmSession

from dataset.records import Actor, FrozenSet, Held
from dataset.store.database import Database
from dataset.store.kept.sets import KeptSets
from dataset.store.queue import leases
from dataset.store.reading.rows import Rows
from dataset.store.team import auditing

if TYPE_CHECKING:
    from dataset.store.server.database import ServerDatabase

T = TypeVar("T")


class Transactions:
    """Reads and writes an open store."""

    def __init__(self, database: Database | ServerDatabase) -> None:
        self._database = database
        self._actor: Actor | None = None
        self._held: Held | None = None
        place = database.place
        # sets that this store gave, whose hash it checked then, by what they are in memory
        self._proven: WeakValueDictionary[int, FrozenSet] = WeakValueDictionary()
        self._kept_sets = KeptSets(place if isinstance(place, Path) and place.is_absolute() else None)

    def acting_as(self, actor: Actor) -> Self:
        """The same open store for somebody: what is written through it is audited as done by ``actor``, and
        refused where that one's token does not allow it. Closing it closes the store.
        """
        other = self._copied()
        other._actor = actor
        return other

    def _copied(self) -> Self:
        return copy.copy(self)

    def _write(self, work: Callable[[OrmSession], T], *, of_team: bool = False) -> T:
        """The outcome of ``work`` in one transaction, audited where an actor is known or the store is a
        team's; ``of_team`` says that this makes it one. Where a job is held, and is no longer, nothing.
        """

        def told(orm: OrmSession) -> T:
            if of_team or self._actor is not None or auditing.is_team(orm):
                return auditing.audited(orm, self._actor, work)
            return work(orm)

        held = self._held
        if held is None:
            return self._database.write(told)
        return self._database.write(lambda orm: leases.fenced(orm, held, told))

    def _read(self, work: Callable[[OrmSession], T]) -> T:
        with self._database.reading() as orm:
            return work(orm)

    def _read_rows(self, work: Callable[[Rows], T], *, whole: bool = False) -> T:
        """As :meth:`_read`, without the mapper, which takes long to make many rows; ``whole`` as of
        :class:`dataset.store.reading.rows.Rows`.
        """
        with self._database.rows(whole=whole) as rows:
            return work(rows)
