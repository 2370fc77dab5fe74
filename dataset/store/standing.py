"""Every session as it stands, kept by whoever asks again: only those are read that came in since, or of which
something was said.

Rows of sessions and of what is said of them are only added, their numbers rise in the order in which they
are committed (who writes waits for whoever writes already), and each names its session. What units are
called, and which of them are one, is worked out anew from all events: where that is another than it was, all
is read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Generic, TypeVar

from dataset.records import Session
from dataset.store.listing import EVERY_ROW, LINES, SessionLine, lines, lines_of
from dataset.store.reading.rows import AT_ONCE, Rows
from dataset.store.reading.sessions import every_session, to_sessions

T = TypeVar("T")
# What says something of a session, by the number of its rows and the column that names the session.
_SAYING = {
    "capture_session": ("id", "id"),
    "void_event": ("sequence", "session_id"),
    "tag_event": ("sequence", "session_id"),
    "amendment": ("sequence", "session_id"),
    "mark_revision": ("sequence", "session_id"),
}
# What else is counted or shown with sessions; all of these only get more rows.
_BESIDE = (
    *(("unit_union", "sequence"), ("unit_assignment", "sequence"), ("unit", "id"), ("liquid", "id")),
    *(("mounting", "id"), ("tank", "id"), ("limits", "id")),
    *(("retirement_event", "sequence"), ("check_measurement", "sequence")),
)
_UNITS = "SELECT id, name, same_as_id, first_id FROM unit"  # all of their rows that is ever rewritten
_NEWEST = ", ".join(
    f"(SELECT coalesce(max({number}), 0) FROM {table})"  # noqa: S608 - names from above
    for table, number in (*((table, number) for table, (number, _) in _SAYING.items()), *_BESIDE)
)


@dataclass(frozen=True)
class Standing(Generic[T]):
    """What every session came to in one reading transaction, in the order they were logged; ``of_rows`` by
    the number of its row, ``state`` and ``units`` of the store as it was then.
    """

    of_rows: Mapping[int, T]
    state: tuple[int, ...]
    units: Mapping[int, tuple[Any, ...]]

    def __len__(self) -> int:
        return len(self.of_rows)

    @cached_property
    def items(self) -> tuple[T, ...]:
        """All of them."""
        return tuple(self.of_rows.values())


def state_of_sessions(rows: Rows) -> tuple[int, ...]:
    """Numbers that are others once anything came in, or was said, of sessions and what they were taken on."""
    (numbers,) = rows.execute(f"SELECT {_NEWEST}").fetchall()
    return tuple(map(int, numbers))


def standing_lines(rows: Rows, before: Standing[SessionLine] | None) -> Standing[SessionLine]:
    """Every session as lists show it."""
    return _standing(
        rows, before, lambda: lines(rows.together(LINES, *EVERY_ROW)), lambda some: _lines(rows, some)
    )


def standing_sessions(rows: Rows, before: Standing[Session] | None) -> Standing[Session]:
    """Every session whole."""
    return _standing(rows, before, lambda: every_session(rows), lambda some: _sessions(rows, some))


def _standing(
    rows: Rows,
    before: Standing[T] | None,
    read_all: Callable[[], Sequence[T]],
    read: Callable[[Sequence[int]], Sequence[T]],
) -> Standing[T]:
    state = state_of_sessions(rows)
    if before is not None and state == before.state:
        return before
    units = units_of(rows)
    if before is None or any(units.get(row) != called for row, called in before.units.items()):
        numbers = [number for (number,) in rows.execute("SELECT id FROM capture_session ORDER BY id")]
        return Standing(dict(zip(numbers, read_all(), strict=True)), state, units)
    others = spoken_of(rows, before.state)
    of_rows = {**before.of_rows, **dict(zip(others, read(others), strict=True))}
    return Standing(of_rows, state, units)


def units_of(rows: Rows) -> Mapping[int, tuple[Any, ...]]:
    """By the number of its row what each unit is called, and which it is one with."""
    return {row: tuple(called) for row, *called in rows.execute(_UNITS)}


def spoken_of(rows: Rows, state: tuple[int, ...]) -> list[int]:
    """The rows of the sessions that came in since a state, or of which something was said, in order."""
    others: set[int] = set()
    for (table, (number, session)), newest in zip(_SAYING.items(), state, strict=False):
        query = f"SELECT DISTINCT {session} FROM {table} WHERE {number} > ?"  # noqa: S608 - names from above
        others.update(row for (row,) in rows.execute(query, newest))
    return sorted(others)


def _lines(rows: Rows, numbers: Sequence[int]) -> list[SessionLine]:
    parts = [numbers[start : start + AT_ONCE] for start in range(0, len(numbers), AT_ONCE)]
    return [line for some in parts for line in lines(rows.together(lines_of(len(some)), *some))]


def _sessions(rows: Rows, numbers: Sequence[int]) -> tuple[Session, ...]:
    return to_sessions(rows.having("capture_session", "id", numbers, "ORDER BY id"))
