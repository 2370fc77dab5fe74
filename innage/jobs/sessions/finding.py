"""Which sessions a list, a count or a choice is of: one set of filters for all of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING

from dataset.coverage.condition_words import condition_words
from dataset.errors import InputError
from dataset.store.listing import SessionLine
from dataset.values import natural

if TYPE_CHECKING:
    from dataset.records import Session
    from dataset.store import Store

ANY, NONE = "any", "none"
MOST_NAMED = 12


@dataclass(frozen=True)
class SessionFilter:
    """What sessions must have. Of several values of one field any will do; every field that is given holds.

    Attributes:
        unit: names of units.
        tank: NAME for any revision, or NAME@REVISION.
        liquid: names of liquids.
        condition: words such as foam, one of which holds somewhere in the session; surface=foam is taken as
            the word.
        tag: tags.
        operator: codes of operators.
        bench: identities of benches; :func:`settle` finds them by their names.
        since: the first day, by the date that the start states; a session without a start is left out then.
        until: the last day, likewise.
        warning: a check's name, any or none.
        void: only void ones, or only those that can be used.
        simulated: only simulated ones, or only measured ones.
        limit: at most so many lines of a list.
    """

    unit: tuple[str, ...] = ()
    tank: tuple[str, ...] = ()
    liquid: tuple[str, ...] = ()
    condition: tuple[str, ...] = ()
    tag: tuple[str, ...] = ()
    operator: tuple[str, ...] = ()
    bench: tuple[str, ...] = ()
    since: date | None = None
    until: date | None = None
    warning: str | None = None
    void: bool | None = None
    simulated: bool | None = None
    limit: int | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "condition", tuple(_word(c) if "=" in c else c for c in self.condition))

    @cached_property
    def given(self) -> tuple[str, ...]:
        """The fields that leave sessions out."""
        empty = (None, ())
        return tuple(f.name for f in fields(self) if f.name != "limit" and getattr(self, f.name) not in empty)

    def fits(self, line: SessionLine) -> bool:
        """Whether a session has all of it."""
        return all(self.fits_field(field, line) for field in self.given)

    def fits_field(self, field: str, line: SessionLine) -> bool:
        """Whether a session has what one field asks for."""
        wanted = getattr(self, field)
        if field in ("since", "until"):
            day = None if line.started is None else date.fromisoformat(line.started[:10])
            return day is not None and (day >= wanted if field == "since" else day <= wanted)
        if field == "warning":
            return bool(line.checks) == (wanted == ANY) if wanted in (ANY, NONE) else wanted in line.checks
        if field == "void":
            return bool((line.void_reason is not None) == wanted)
        if field == "simulated":
            return bool(line.simulated == wanted)
        return not set(wanted).isdisjoint(_values(line, field))

    def of_sessions(self, sessions: Iterable[Session]) -> list[Session]:
        """Those of the sessions that have all of it, in their order."""
        if not self.given:
            return list(sessions)
        return [session for session in sessions if self.fits(line_of(session))]


EVERY_SESSION = SessionFilter()


def line_of(session: Session) -> SessionLine:
    """A session as lists show it."""
    words = dict.fromkeys(word for s in session.stretches for word in condition_words(s.conditions))
    return SessionLine(
        session.id,
        session.unit.name,
        session.liquid.name,
        session.mounting.name,
        session.frames,
        sum(mark.stop - mark.start for mark in session.marks),
        len(session.warnings),
        session.source.file,
        session.simulated,
        session.void_reason,
        tank=session.mounting.tank.ref,
        conditions=tuple(words),
        checks=tuple(dict.fromkeys(warning.check for warning in session.warnings)),
        tags=session.tags,
        operator=session.occasion.operator,
        bench=session.occasion.bench,
        started=session.occasion.started,
        amendments=len(session.amended_apart) or int(session.amendment is not None),
    )


def as_people_count(lines: Iterable[SessionLine]) -> list[SessionLine]:
    """By mounting and unit, unit-2 before unit-10, then by their start, then as they were logged."""
    return sorted(lines, key=lambda line: (natural(line.mounting), natural(line.unit), _moment(line.started)))


def settle(store: Store, wanted: SessionFilter) -> SessionFilter:
    """The filter with names as the store has them, benches by their identities.

    Raises:
        NotFoundError: a name that the store does not have, with those that it has.
    """
    for tank in wanted.tank:
        store.tank(tank)
    return replace(
        wanted,
        unit=tuple(store.unit(unit).name for unit in wanted.unit),
        liquid=tuple(store.liquid(liquid).name for liquid in wanted.liquid),
        operator=tuple(store.operator(code).name for code in wanted.operator),
        bench=tuple(store.bench(bench).identity for bench in wanted.bench),
    )


def _word(condition: str) -> str:
    """The word of a condition that is stated with its axis, as ``wall=film`` is; InputError for what is none,
    or several.
    """
    from dataset.labels.conditions import read_conditions

    words = condition_words(read_conditions("condition", condition))
    if len(words) != 1:
        expected = "one, such as film or wall=film; of several, any will do"
        raise InputError("condition", repr(condition[:80]), expected, fields=("condition",))
    return words[0]


def read_day(field: str, text: str) -> date:
    """A day as ``since`` and ``until`` take it; InputError for anything else."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise InputError(field, repr(text[:40]), "a day such as 2026-03-02", fields=(field,)) from error


def why_none(wanted: SessionFilter, lines: Sequence[SessionLine]) -> str:
    """Why no session is left, as a sentence without its end: what no session has, with what there is."""
    for field in wanted.given:
        if not any(wanted.fits_field(field, line) for line in lines):
            there = sorted({value for line in lines for value in _values(line, field)}, key=natural)
            listed = ", ".join(there[:MOST_NAMED]) + (", ..." if len(there) > MOST_NAMED else "")
            return f"no session: {_said(wanted, field)}" + (f" (there are: {listed})" if listed else "")
    return f"no session: {', '.join(_said(wanted, field) for field in wanted.given)}"


def _said(wanted: SessionFilter, field: str) -> str:
    value = getattr(wanted, field)
    if isinstance(value, bool):
        return {"void": ("usable", "void"), "simulated": ("measured", "simulated")}[field][value]
    return f"{field} {' or '.join(value) if isinstance(value, tuple) else value}"


def _values(line: SessionLine, field: str) -> tuple[str, ...]:
    values: dict[str, tuple[str | None, ...]] = {
        "unit": (line.unit,),
        "tank": (line.tank, line.tank.rpartition("@")[0]),
        "liquid": (line.liquid,),
        "condition": line.conditions,
        "tag": line.tags,
        "operator": (line.operator,),
        "bench": (line.bench,),
        "warning": line.checks,
    }
    return tuple(value for value in values.get(field, ()) if value)


def _moment(started: str | None) -> float:
    from datetime import datetime

    return 0.0 if started is None else datetime.fromisoformat(started).timestamp()
