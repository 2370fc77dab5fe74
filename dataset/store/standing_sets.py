"""A frozen set as it stands, kept by whoever asks again: what it holds never changes, and what is said of its
sessions is read of those alone of which something was said.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from dataset.records import FrozenSet, Session
from dataset.store.reading.registry import Shared
from dataset.store.reading.rows import AT_ONCE, Rows
from dataset.store.reading.sessions import of_frozen_set, to_session
from dataset.store.standing import spoken_of, state_of_sessions, units_of

if TYPE_CHECKING:
    from dataset.store.tables import FrozenSessionRow

_MEMBERS = "WHERE frozen_set_id = (SELECT id FROM frozen_set WHERE name = ?) AND session_id IN ({})"


@dataclass(frozen=True)
class SaidOfSet:
    """What is said of a set's sessions beside what it pins: ``now``, by hash, those that were amended or have
    a later revision of their marks, as they are now; ``state`` and ``units`` of the store as it was then.
    """

    now: Mapping[str, Session]
    state: tuple[int, ...]
    units: Mapping[int, tuple[Any, ...]]


@dataclass(frozen=True)
class StandingSet:
    """A frozen set, its hash checked when it was first read, as it is given now, and what is said beside."""

    frozen: FrozenSet
    said: SaidOfSet

    def __len__(self) -> int:
        return len(self.frozen.sessions)


def read_said(rows: Rows, name: str) -> SaidOfSet:
    """What is said of the sessions of the set of that name."""
    state, units = state_of_sessions(rows), units_of(rows)
    now = of_frozen_set(rows, name, amended=True)
    return SaidOfSet({session.sha256: session for session in now}, state, units)


def read_on(rows: Rows, before: StandingSet) -> StandingSet | None:
    """The set as it stands now. None where a unit is called otherwise, or a row no longer says what the
    hash was checked of: all of it has to be read then.
    """
    state, units = state_of_sessions(rows), units_of(rows)
    if state == before.said.state:
        return before
    if any(units.get(row) != called for row, called in before.said.units.items()):
        return None
    sessions, now, shared = list(before.frozen.sessions), dict(before.said.now), Shared()
    places = {session.sha256: place for place, session in enumerate(sessions)}
    for member in _members(rows, before.frozen.name, spoken_of(rows, before.said.state)):
        pinned = to_session(member.session, member.mark_revision_sha256, member.amendment_sha256, shared)
        place = places[pinned.sha256]
        sessions[place] = _said_anew(sessions[place], pinned)
        if replace(sessions[place], unit=pinned.unit) != pinned:
            return None
        newest = to_session(member.session, shared=shared)
        if newest.amendment is not None or newest.mark_revision is not None:
            now[newest.sha256] = newest
    frozen = replace(before.frozen, sessions=tuple(sessions))
    return StandingSet(frozen, SaidOfSet(now, state, before.said.units))


def _said_anew(session: Session, pinned: Session) -> Session:
    """A session of a set, called as the set calls its unit, with what may be another since."""
    void_reason, tags, as_sealed = pinned.void_reason, pinned.tags, pinned.as_sealed
    return replace(session, void_reason=void_reason, tags=tags, as_sealed=as_sealed)


def _members(rows: Rows, name: str, numbers: Sequence[int]) -> Iterator[FrozenSessionRow]:
    """Those of the set's rows that name a session of one of these numbers."""
    for start in range(0, len(numbers), AT_ONCE):
        some = numbers[start : start + AT_ONCE]
        yield from rows.select("frozen_session", _MEMBERS.format(",".join("?" * len(some))), name, *some)
