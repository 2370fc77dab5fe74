"""Frozen sets: which groups there are, which role each has, and the rows that belong to them. No store in
here.

A group is the thing that a claim speaks of and that is never split between roles.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dataset.admission.plausible import GRAVE
from dataset.coverage.set_names import group_names
from dataset.coverage.temperature_bands import TemperatureBands
from dataset.errors import InputError, there_are
from dataset.labels.conditions import conditions_text
from dataset.records import (
    ID_DIGITS,
    Conditions,
    Frames,
    FrozenData,
    FrozenSet,
    GroupBy,
    Mark,
    Role,
    Session,
)
from dataset.values import check_text, natural
from dataset.words import counted

REST = "rest"


@dataclass(frozen=True)
class Group:
    """One group: its labelled frames, and the sessions (ids) they lie in."""

    name: str
    frames: int
    sessions: tuple[str, ...]


def names_of(session: Session, group_by: GroupBy, bands: TemperatureBands | None = None) -> tuple[str, ...]:
    """For each mark of a session the name of the group that it belongs to.

    Args:
        session: with the marks that count.
        group_by: what the groups are.
        bands: those of temperature, where these are the groups.

    Raises:
        InputError: a mark that lies in none of the bands, or a session that does not say its bench.
    """
    if group_by is GroupBy.BENCH:
        return (bench_group(session),) * len(session.marks)
    if group_by is GroupBy.TEMPERATURE:
        if bands is None:
            raise InputError("groups by temperature", "no bands", "their edges")
        return bands.names_of(session)
    if group_by is GroupBy.LEVEL:
        return tuple(map(_level_name, session.marks))
    names = {
        GroupBy.SESSION: session.id,
        GroupBy.UNIT: session.unit.name,
        GroupBy.LIQUID: session.liquid.name,
        GroupBy.TANK: session.tank_group or session.mounting.tank.ref,
    }
    return (names[group_by],) * len(session.marks)


def _level_name(mark: Mark) -> str:
    level = f"{mark.level_mm:g}"
    return level if mark.level_stop_mm is None else f"{level}..{mark.level_stop_mm:g}"


def bench_group(session: Session) -> str:
    """The group by bench that a session belongs to; InputError where it does not say one."""
    if session.occasion.bench is None:
        raise InputError(
            f"session {session.id}",
            "does not say on which bench it was captured",
            "a bench, where these are the groups",
            "say it with Store.amend_session, or leave the session out",
            fields=("Store.amend_session",),
        )
    return session.occasion.bench[:ID_DIGITS]


def groups_of(
    sessions: Sequence[Session], group_by: GroupBy, bands: TemperatureBands | None = None
) -> tuple[Group, ...]:
    """The groups that the labelled frames of ``sessions`` fall into, in natural order, the coldest first;
    arguments as in :func:`names_of`.
    """
    frames: dict[str, int] = {}
    members: dict[str, dict[str, None]] = {}
    for session in sessions:
        for name, mark in zip(names_of(session, group_by, bands), session.marks, strict=True):
            frames[name] = frames.get(name, 0) + mark.stop - mark.start
            members.setdefault(name, {})[session.id] = None
    order = sorted(frames, key=natural) if bands is None else [name for name in bands.names if name in frames]
    return tuple(Group(name, frames[name], tuple(members[name])) for name in order)


def named_roles(groups: Sequence[Group], wanted: Mapping[Role, Sequence[str]]) -> dict[str, Role]:
    """Roles by name: each role lists its groups, and one may say 'rest'. Every group ends with exactly one
    role.
    """
    known = [g.name for g in groups]
    roles: dict[str, Role] = {}
    rest = [role for role, names in wanted.items() if list(names) == [REST]]
    if len(rest) > 1:
        raise InputError("roles", f"{' and '.join(rest)} both take the rest", "'rest' for one role")
    for role, names in wanted.items():
        if role in rest:
            continue
        for name in names:
            if name not in known:
                raise InputError(
                    role.value,
                    f"no group is called {name!r}",
                    "",
                    there_are(known, name, "no frame is labelled yet"),
                    fields=(role.value,),
                )
            if name in roles:
                raise InputError(
                    role.value,
                    f"group {name} is named under {roles[name]} already"
                    if roles[name] != role
                    else f"group {name} is named twice",
                    fields=(role.value,),
                )
            roles[name] = role
    left = [name for name in known if name not in roles]
    if rest and not left:
        raise InputError(
            rest[0].value, "no group is left for 'rest'", "at least one", fields=(rest[0].value,)
        )
    if left and not rest:
        listed = ", ".join(left[:12]) + (" ..." if len(left) > 12 else "")
        raise InputError(
            "roles",
            f"no role for {counted(len(left), 'group')}: {listed}",
            "every group exactly one role",
            "name them, or give one role 'rest'",
        )
    return roles | dict.fromkeys(left, rest[0]) if rest else roles


def spread_roles(
    sessions: Sequence[Session],
    group_by: GroupBy,
    numbers: Mapping[Role, int],
    seed: int,
    bands: TemperatureBands | None = None,
) -> dict[str, Role]:
    """A seeded split of whole groups by numbers of groups, spread so that every role sees every liquid and
    tank where it can.

    Groups are drawn in the order of SHA-256(seed, name), by the names that a set gives them, those with the
    rarest liquid or tank first. A group goes to the role to which the most of its liquids and tanks are new;
    of several, to the one that is furthest below its share of them, then to the one with most of its groups
    still to come.

    Raises:
        InputError: numbers below 1, or that do not sum to the groups there are.
    """
    traits = _traits(sessions, group_by, bands)
    if any(number < 1 for number in numbers.values()) or sum(numbers.values()) != len(traits):
        numbered = ", ".join(f"{role}:{number}" for role, number in numbers.items())
        raise InputError(
            "roles",
            numbered,
            f"numbers above 0 that sum to the {counted(len(traits), 'group')} there are",
            "leave one role without a number for the rest",
            fields=("roles",),
        )
    in_set = group_names(sessions, group_by)
    holders = Counter(trait for own in traits.values() for trait in own)
    order = sorted(
        traits,
        key=lambda name: (
            min(holders[t] for t in traits[name]),
            hashlib.sha256(f"{seed}:{in_set.get(name, name)}".encode()).digest(),
        ),
    )
    left = dict(numbers)
    seen: Counter[tuple[Role, str]] = Counter()
    roles: dict[str, Role] = {}
    for name in order:
        own = traits[name]

        def lack(role: Role, own: frozenset[str] = own) -> tuple[int, Fraction, Fraction]:
            new = sum(not seen[role, t] for t in own)
            share = Fraction(numbers[role], len(traits))
            return (
                new,
                sum((share - Fraction(seen[role, t], holders[t]) for t in own), Fraction()),
                Fraction(left[role], numbers[role]),
            )

        role = max((role for role in left if left[role]), key=lack)
        roles[name] = role
        left[role] -= 1
        seen.update((role, t) for t in traits[name])
    return roles


def _traits(
    sessions: Sequence[Session], group_by: GroupBy, bands: TemperatureBands | None
) -> dict[str, frozenset[str]]:
    """For each group the liquids and tanks that its labelled frames are of."""
    traits: dict[str, set[str]] = {}
    for session in sessions:
        for name in names_of(session, group_by, bands):
            traits.setdefault(name, set()).update(
                {f"liquid {session.liquid.name}", f"tank {session.mounting.tank.ref}"}
            )
    return {name: frozenset(own) for name, own in traits.items()}


def check_sessions(sessions: Sequence[Session]) -> None:
    """Sessions that can be used, and together."""
    if not sessions:
        raise InputError(
            "frozen set",
            "no sessions",
            "at least one that is not void and has a labelled frame",
            "see Store.sessions()",
            fields=("Store.sessions()",),
        )
    if len({s.id for s in sessions}) < len(sessions):
        raise InputError("frozen set", "a session is named twice", "each session once")
    for session in sessions:
        if session.void_reason is not None:
            raise InputError(
                f"session {session.id}",
                f"is void ('{session.void_reason}')",
                "sessions that can be used",
                "leave it out",
            )
        if session.amended_apart:
            apart = " and ".join(sha256[:ID_DIGITS] for sha256 in session.amended_apart)
            raise InputError(
                f"session {session.id}",
                f"amendments {apart} stand beside one another: which is right is open",
                "one amendment that follows both",
                "say what is so with Store.amend_session, or leave the session out",
                fields=("Store.amend_session",),
            )
        if not session.marks:
            raise InputError(
                f"session {session.id}",
                "has no labelled frame",
                "a level for at least one frame",
                "leave it out",
            )
    _check_alike(sessions)


def refuse_mixture(sessions: Sequence[Session]) -> None:
    """Simulated and measured sessions together would make figures that are neither."""
    simulated = next((s for s in sessions if s.simulated), None)
    measured = next((s for s in sessions if not s.simulated), None)
    if simulated is not None and measured is not None:
        mixed = f"session {simulated.id} is simulated, session {measured.id} was measured"
        raise InputError(
            "frozen set",
            mixed,
            "all measured, or all simulated",
            "choose with freeze(sessions=...), or mix them knowingly with allow_mixed",
            fields=("freeze(sessions=...)", "allow_mixed"),
        )


def check_choice(
    sessions: Sequence[Session],
    group_by: GroupBy,
    roles: Mapping[str, Role],
    bands: TemperatureBands | None = None,
) -> None:
    """Sessions that can be used together, and a role for every group."""
    check_sessions(sessions)
    known = [g.name for g in groups_of(sessions, group_by, bands)]
    for name in roles:
        if name not in known:
            raise InputError("frozen set", f"no group is called {name!r}", "", there_are(known, name, ""))
    left = [name for name in known if name not in roles]
    if left:
        raise InputError("frozen set", f"no role for group {left[0]}", "every group exactly one role")


def refuse_warned(sessions: Sequence[Session], because: str | None) -> None:
    """InputError for sessions whose readings and statements do not go together, by the import checks,
    unless it is said why they may be learnt from.
    """
    if because is not None:
        if not because.strip():
            raise InputError(
                "even_if_warned", "nothing", "why these sessions are right", fields=("even_if_warned",)
            )
        check_text("even_if_warned", because)
        return
    warned = [(s, w) for s in sessions for w in s.warnings if w.check in GRAVE]
    if warned:
        session, warning = warned[0]
        many = len({s.id for s, _ in warned}) - 1
        others = f", and {many} other session" + ("s" if many > 1 else "") if many else ""
        raise InputError(
            "frozen set",
            f"session {session.id} (from {session.source.file}) was warned of: {warning.check}, "
            f"{warning.sentence}{others}",
            "sessions whose readings and statements go together",
            "void or leave out what is wrong, or say by even_if_warned why it is right",
            fields=("even_if_warned",),
        )


def _check_alike(sessions: Sequence[Session]) -> None:
    first = sessions[0]
    for other in sessions[1:]:
        a, b = first.mounting.sensor, other.mounting.sensor
        facts = (
            ("channels", a.channels, b.channels),
            ("count law", a.count_law, b.count_law),
            ("count bits", a.count_bits, b.count_bits),
            ("count scale", a.count_scale, b.count_scale),
            ("period in ms", a.period_ms, b.period_ms),
        )
        for what, one, two in facts:
            if one != two:
                differs = (
                    f"{what}: {one} in session {first.id} (sensor {a.ref}), {two} in session "
                    f"{other.id} (sensor {b.ref})"
                )
                raise InputError(
                    "frozen set",
                    differs,
                    "sessions of one kind of sensor",
                    "choose sessions with freeze(sessions=...)",
                    fields=("freeze(sessions=...)",),
                )


def assemble(
    frozen: FrozenSet, frames: Sequence[Frames], bands: TemperatureBands | None = None
) -> FrozenData:
    """The labelled frames of ``frozen``; ``frames`` are those of its sessions, in their order, ``bands``
    those that its marks lie in.
    """
    every = _joined(frames)
    before = np.cumsum([0, *map(len, frames)])  # frames of the sessions before each
    index = {group: k for k, (group, _) in enumerate(frozen.roles)}
    marks = [(number, mark) for number, session in enumerate(frozen.sessions) for mark in session.marks]
    groups = [
        index[name] for session in frozen.sessions for name in names_of(session, frozen.group_by, bands)
    ]
    session = np.asarray([number for number, _ in marks], np.int64)
    starts = np.asarray([mark.start for _, mark in marks], np.int64)
    lengths = np.asarray([mark.stop - mark.start for _, mark in marks], np.int64)

    def of_rows(of_marks: NDArray[Any]) -> NDArray[Any]:
        return np.repeat(of_marks, lengths)

    frame = np.arange(lengths.sum())
    frame -= of_rows(np.cumsum(lengths) - lengths - starts)
    taken = _taken(before, session, starts, lengths)
    if isinstance(taken, slice):
        counts, t_ms = every.counts.astype(np.int64), np.array(every.t_ms, np.int64)
    else:
        counts, t_ms = every.counts[taken].astype(np.int64), every.t_ms[taken].astype(np.int64, copy=False)
    conditions, condition = _stated(frozen.sessions, before.tolist())
    warm = every.temperature_c
    return FrozenData(
        frozen=frozen,
        counts=counts,
        t_ms=t_ms,
        level_mm=_levels([mark for _, mark in marks], lengths, t_ms),
        u_mm=of_rows(np.asarray([_uncertainty(mark) for _, mark in marks], np.float64)),
        temperature_c=np.full(len(frame), np.nan) if warm is None else np.array(warm[taken]),
        session=of_rows(session),
        group=of_rows(np.asarray(groups, np.int64)),
        frame=frame,
        condition=condition[taken],
        conditions=conditions,
        frames=tuple(
            Frames(
                every.t_ms[start:stop],
                every.counts[start:stop],
                None if warm is None or own.temperature_c is None else warm[start:stop],
            )
            for own, start, stop in zip(frames, before.tolist(), before[1:].tolist(), strict=False)
        ),
    )


def _taken(
    before: NDArray[np.int64],
    session: NDArray[np.int64],
    starts: NDArray[np.int64],
    lengths: NDArray[np.int64],
) -> slice | NDArray[np.int64]:
    """Which of all sessions' frames lie under a mark, mark by mark; all of them, where marks leave none out.

    ``before`` are the frames of the sessions before each, the others say of each mark its session, its first
    frame there and how many it has.
    """
    first = before[session] + starts
    if np.array_equal(np.append(first, before[-1]), np.concatenate([[0], first + lengths])):
        return slice(None)
    rows = np.arange(lengths.sum())
    rows += np.repeat(first - (np.cumsum(lengths) - lengths), lengths)
    return rows


def _joined(frames: Sequence[Frames]) -> Frames:
    """The frames of all sessions, one after the other, each one's counts side by side in memory, NaN for
    temperatures that were not measured; None where none was.
    """
    if not frames:
        return Frames(np.empty(0, np.int64), np.empty((0, 0), np.uint32))
    warm = [f.temperature_c for f in frames]
    measured = any(own is not None for own in warm)
    return Frames(
        np.concatenate([f.t_ms for f in frames]),
        np.concatenate([f.counts for f in frames], out=_empty_counts(frames)),
        np.concatenate([_not_measured(f) if f.temperature_c is None else f.temperature_c for f in frames])
        if measured
        else None,
    )


def _empty_counts(frames: Sequence[Frames]) -> NDArray[np.uint32]:
    return np.empty((sum(map(len, frames)), frames[0].counts.shape[1]), np.uint32)


def _not_measured(frames: Frames) -> NDArray[np.float64]:
    return np.full(len(frames), np.nan)


def _uncertainty(mark: Mark) -> float:
    return math.nan if mark.u_mm is None else math.hypot(mark.u_mm, mark.u_common_mm or 0.0)


def _stated(
    sessions: Sequence[Session], before: Sequence[int]
) -> tuple[tuple[Conditions, ...], NDArray[np.int64]]:
    """The conditions that occur, none stated first, in the order of their text, and for each frame of all
    sessions its place among them.
    """
    every = {id(s.conditions): s.conditions for session in sessions for s in session.stretches}
    stated = set(every.values()) - {Conditions()}
    conditions = (Conditions(), *sorted(stated, key=conditions_text))
    place = {one: k for k, one in enumerate(conditions)}
    place_of = {key: place[one] for key, one in every.items()}  # thousands of stretches share some objects
    condition = np.zeros(before[-1], np.int64)
    for session, start in zip(sessions, before, strict=False):
        for stretch in session.stretches:
            last = min(start + stretch.stop, start + session.frames)
            condition[start + stretch.start : last] = place_of[id(stretch.conditions)]
    return conditions, condition


def _levels(
    marks: Sequence[Mark], lengths: NDArray[np.int64], t_ms: NDArray[np.int64]
) -> NDArray[np.float64]:
    """The level of each row of these marks, as :func:`levels_of` gives it; ``t_ms`` are the rows' times."""
    first = np.asarray([mark.level_mm for mark in marks], np.float64)
    last = [mark.level_stop_mm for mark in marks]
    if all(level is None for level in last) or not lengths.all():
        return np.repeat(first, lengths)
    ends = np.cumsum(lengths)
    begun = t_ms[ends - lengths]
    spans = np.maximum(t_ms[ends - 1] - begun, 1)
    # the marks one behind the other on one axis of time, a millisecond apart: whole numbers, so that no
    # difference is another than on the mark's own
    offsets = np.cumsum(spans + 1) - (spans + 1)
    times = t_ms + np.repeat(offsets - begun, lengths)
    knots = np.column_stack([offsets, offsets + spans]).ravel()
    levels = np.column_stack([first, [f if v is None else v for f, v in zip(first, last, strict=True)]])
    levels_mm: NDArray[np.float64] = np.interp(times, knots, levels.ravel())
    return levels_mm


def levels_of(mark: Mark, t_ms: NDArray[np.int64]) -> NDArray[np.float64]:
    """The level of each frame under a mark, float64 (stop - start,); ``t_ms`` are the times of the whole
    session's frames.
    """
    if mark.level_stop_mm is None:
        return np.full(mark.stop - mark.start, mark.level_mm)
    times = t_ms[mark.start : mark.stop]
    return np.interp(times, [times[0], max(times[-1], times[0] + 1)], [mark.level_mm, mark.level_stop_mm])
