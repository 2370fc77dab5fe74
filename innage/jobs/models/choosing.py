"""Freezing: which sessions are taken and which are left out, and the role of each group."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

from dataset.coverage.roles import Group, check_sessions, groups_of, named_roles, spread_roles
from dataset.errors import InputError, naming
from dataset.records import ID_DIGITS, FrozenSet, GroupBy, Role, Session
from dataset.values import natural
from dataset.words import counted
from innage.jobs.models.set_reference import set_reference
from innage.jobs.sessions.finding import EVERY_SESSION, SessionFilter, line_of, settle, why_none

if TYPE_CHECKING:
    from dataset.coverage.temperature_bands import TemperatureBands
    from dataset.records import DoorWarning
    from dataset.store import Store

E = TypeVar("E", GroupBy, Role)


@dataclass(frozen=True)
class Choice:
    """What may be frozen: ``sessions`` or their ids, None for all that can be used; of these ``only`` some;
    simulated and measured ones together only where they are allowed to be mixed, and those that were warned
    of gravely on import only for a reason, ``even_if_warned``.
    """

    sessions: Sequence[Session | str] | None = None
    only: SessionFilter = EVERY_SESSION
    allow_mixed: bool = False
    even_if_warned: str | None = None


@dataclass(frozen=True)
class Chosen:
    """The sessions to freeze, those left out with the reason, and the bands that the marks lie in where
    temperature groups them.
    """

    sessions: list[Session]
    left_out: list[tuple[Session, str]]
    bands: TemperatureBands | None = None


def choose(
    store: Store,
    choice: Choice,
    group_by: GroupBy,
    *,
    edges_c: Sequence[float] = (),
    kelvin: float | None = None,
) -> Chosen:
    """Choose the sessions that were named, or all that can be used.

    Args:
        store: the open store.
        choice: a session that is named and can't be used is refused, the others are left out.
        group_by: what the groups are.
        edges_c: of temperature bands.
        kelvin: their width, where there are no edges; None for the usual one.

    Raises:
        InputError: nothing to freeze, edges or a width where the groups are something else, or both.
    """
    if group_by is not GroupBy.TEMPERATURE and (edges_c or kelvin is not None):
        field = "edges_c" if edges_c else "kelvin"
        raise InputError(
            field,
            f"groups by {group_by}",
            f"groups by {GroupBy.TEMPERATURE}, which alone have bands",
            fields=(field,),
        )
    if edges_c and kelvin is not None:
        raise InputError(
            "edges_c, kelvin", "both", "edges, or one width for all bands", fields=("edges_c", "kelvin")
        )
    named = choice.sessions is not None
    chosen = _usable(store) if choice.sessions is None else Chosen(_named(store, choice.sessions), [])
    if choice.only.given:
        chosen = replace(chosen, sessions=_only(store, chosen.sessions, choice.only))
    check_sessions(chosen.sessions)
    if group_by is not GroupBy.TEMPERATURE:
        return chosen
    return _by_temperature(store, chosen, edges_c, kelvin, leave_out=not named)


def _named(store: Store, sessions: Sequence[Session | str]) -> list[Session]:
    return [store.session(session) if isinstance(session, str) else session for session in sessions]


def _usable(store: Store) -> Chosen:
    usable: list[Session] = []
    left_out: list[tuple[Session, str]] = []
    for session in store.sessions():
        if session.void_reason is not None:
            left_out.append((session, "void"))
        elif session.marks:
            usable.append(session)
        else:
            left_out.append((session, "no labelled frame"))
    return Chosen(usable, left_out)


def _only(store: Store, sessions: Sequence[Session], only: SessionFilter) -> list[Session]:
    """Those that a filter leaves; InputError where it leaves none."""
    only = settle(store, only)
    fitting = only.of_sessions(sessions)
    if not fitting:
        lines = [line_of(session) for session in sessions]
        raise InputError("frozen set", why_none(only, lines), "sessions to freeze", fields=only.given)
    return fitting


def _by_temperature(
    store: Store, chosen: Chosen, edges_c: Sequence[float], kelvin: float | None, *, leave_out: bool
) -> Chosen:
    """The choice with its bands; without the sessions that have a mark that nobody measured the temperature
    of, unless they were named.
    """
    from dataset.coverage.temperature_bands import (
        KELVIN,
        TemperatureBands,
        bands_of_width,
        unmeasured,
    )

    means = store.mark_temperatures(chosen.sessions)
    cold = [s for s in chosen.sessions if unmeasured(means[s.sha256])] if leave_out else []
    if len(cold) == len(chosen.sessions) and cold:
        lacking = (
            "no temperature was measured"
            if len(cold) == 1
            else f"{counted(len(cold), 'session')}, each with a mark under which no temperature was measured"
        )
        raise InputError(
            "frozen set",
            lacking,
            "a temperature with the frames, so that marks have a band",
            "log the column of temperature, or group by something else",
        )
    kept = [s for s in chosen.sessions if s not in cold]
    measured = {s.sha256: means[s.sha256] for s in kept}
    bands = (
        TemperatureBands(_checked_edges(edges_c), measured)
        if edges_c
        else bands_of_width(KELVIN if kelvin is None else kelvin, measured)
    )
    return Chosen(
        kept, [*chosen.left_out, *((s, "a mark without a measured temperature") for s in cold)], bands
    )


def _checked_edges(edges_c: Sequence[float]) -> tuple[float, ...]:
    from dataset.coverage.temperature_bands import check_edges

    with naming("edges_c"):
        return check_edges("edges_c", edges_c)


@dataclass(frozen=True)
class Frozen:
    """A frozen set with its groups, how many frames were measured outside the temperature band of their mark,
    what 'prove' was opened for, and what was left out when it was frozen, with the reason. ``warned_since``:
    by session what was found against its bench day after it came in.
    """

    frozen_set: FrozenSet
    groups: tuple[Group, ...]
    frames_outside: int
    openings: int
    purposes: tuple[str, ...] = ()
    left_out: tuple[tuple[Session, str], ...] = ()
    warned_since: tuple[tuple[Session, DoorWarning], ...] = ()
    benches: tuple[tuple[str, str], ...] = ()  # groups by bench, and what the store calls them

    @property
    def tanks_without_prove(self) -> tuple[str, ...]:
        """Tanks of which no group is to prove, as people count, where groups of other tanks are; none where
        the groups are tanks, since the claim is then about those that are new.
        """
        frozen_set = self.frozen_set
        proving = set(frozen_set.groups(Role.PROVE))
        if frozen_set.group_by is GroupBy.TANK or not proving:
            return ()
        held_out = {session for group in self.groups if group.name in proving for session in group.sessions}
        proven = {s.mounting.tank.ref for s in frozen_set.sessions if s.id in held_out}
        return tuple(sorted({s.mounting.tank.ref for s in frozen_set.sessions} - proven, key=natural))

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        roles = dict(self.frozen_set.roles)
        return {
            **set_reference(self.frozen_set),
            "seed": self.frozen_set.seed,
            "edges_c": list(self.frozen_set.edges_c),
            "even_if_warned": self.frozen_set.even_if_warned,
            "frames_outside": self.frames_outside,
            "trims": len(self.frozen_set.trims),
            "groups": [
                {
                    "group": group.name,
                    "role": roles[group.name],
                    "frames": group.frames,
                    "sessions": list(group.sessions),
                }
                for group in self.groups
            ],
            "sessions": [session.id for session in self.frozen_set.sessions],
            "warned_since": [
                {"session": session.id, "check": warning.check, "sentence": warning.sentence}
                for session, warning in self.warned_since
            ],
            "tanks_without_prove": list(self.tanks_without_prove),
            "prove_openings": self.openings,
        }


@dataclass(frozen=True)
class Grouped:
    """The groups of a frozen set, and how many frames were measured outside the temperature band of their
    mark: neither ever changes.
    """

    groups: tuple[Group, ...]
    frames_outside: int


def read_groups(store: Store, frozen_set: FrozenSet) -> Grouped:
    """Those of a set of the store."""
    return Grouped(tuple(store.groups(frozen_set)), store.frames_outside(frozen_set))


def look_at(store: Store, name: str) -> Frozen:
    """A frozen set of the store, by name; NotFoundError when there is none."""
    frozen_set = store.frozen_set(name)
    return look_at_set(store, frozen_set, read_groups(store, frozen_set))


def look_at_set(
    store: Store,
    frozen_set: FrozenSet,
    grouped: Grouped,
    left_out: Sequence[tuple[Session, str]] = (),
) -> Frozen:
    """As :func:`look_at`, of a set whose record and groups are there."""
    return Frozen(
        frozen_set,
        grouped.groups,
        grouped.frames_outside,
        store.prove_openings(frozen_set),
        tuple(store.prove_purposes(frozen_set)),
        tuple(left_out),
        _warned_since(store, frozen_set),
        _called(store, frozen_set, grouped.groups),
    )


def _warned_since(store: Store, frozen_set: FrozenSet) -> tuple[tuple[Session, DoorWarning], ...]:
    since = store.standard_warnings(frozen_set.sessions)
    return tuple((s, warning) for s in frozen_set.sessions for warning in since.get(s.sha256, ()))


def _called(store: Store, frozen_set: FrozenSet, groups: Sequence[Group]) -> tuple[tuple[str, str], ...]:
    if frozen_set.group_by is not GroupBy.BENCH:
        return ()
    known = {bench.identity[:ID_DIGITS]: bench.name for bench in store.benches()}
    return tuple((group.name, known[group.name]) for group in groups if group.name in known)


Roles = Mapping[str, "Sequence[str] | int | None"]


def freeze(
    store: Store,
    name: str,
    *,
    group_by: GroupBy | str,
    roles: Roles,
    sessions: Sequence[Session | str] | Choice | None = None,
    seed: int = 0,
    edges_c: Sequence[float] = (),
    kelvin: float | None = None,
) -> FrozenSet:
    """Freeze a choice of sessions; each group gets exactly one role.

    Args:
        store: the open store.
        name: a new name.
        group_by: the thing that the claim will speak of: ``session``, ``unit``, ``liquid``, ``tank``,
            ``level`` or ``temperature``: bands of it, named as ``15..25 C``, a mark in the band of its
            measured mean.
        roles: for each of ``fit``, ``choose``, ``calibrate``, ``prove`` the names of its groups (one role may
            say ``["rest"]``), or for all of them a number of groups to draw, each role with every liquid
            and tank where it can; one role may have None there: what the others leave.
        sessions: the sessions or their ids; None means all that are labelled and not void, and for bands of
            temperature have one measured under each mark. A :class:`Choice` says more: one tank, or
            simulated and measured ones together.
        seed: of the draw.
        edges_c: of temperature bands, rising, degrees Celsius; a band holds its lower edge. None given: bands
            of one width, around its multiples.
        kelvin: that width; None means 10.

    Raises:
        InputError: groups that are not there, without a role or with two, void sessions, mixed sensors, or a
            mark that lies in no band.
    """
    choice = sessions if isinstance(sessions, Choice) else Choice(sessions)
    return freeze_choice(
        store, name, choice, group_by=group_by, roles=roles, seed=seed, edges_c=edges_c, kelvin=kelvin
    ).frozen_set


def freeze_choice(
    store: Store,
    name: str,
    choice: Choice,
    *,
    group_by: GroupBy | str,
    roles: Roles,
    seed: int = 0,
    edges_c: Sequence[float] = (),
    kelvin: float | None = None,
) -> Frozen:
    """As :func:`freeze`, with what was left out."""
    by = _one_of(GroupBy, group_by, "group_by")
    wanted = {_one_of(Role, role, "roles"): groups for role, groups in roles.items()}
    chosen = choose(store, choice, by, edges_c=edges_c, kelvin=kelvin)
    groups = groups_of(chosen.sessions, by, chosen.bands)
    numbers = {role: number for role, number in wanted.items() if number is None or isinstance(number, int)}
    names = {
        role: [given] if isinstance(given, str) else list(given)
        for role, given in wanted.items()
        if given is not None and not isinstance(given, int)
    }
    if by is GroupBy.BENCH:
        names = {role: _bench_groups(store, given) for role, given in names.items()}
    if numbers and names:
        raise InputError(
            "roles", "numbers and names", "numbers of groups for all roles, or names of groups for all"
        )
    if not wanted:
        raise InputError(
            "groups",
            "none has a role",
            "fit, choose, calibrate, prove with names of groups, or roles with numbers of them",
            "the groups are: " + ", ".join(group.name for group in groups),
            fields=(*Role, "roles"),
        )
    split = (
        spread_roles(chosen.sessions, by, _with_the_rest(numbers, len(groups)), seed, chosen.bands)
        if numbers
        else named_roles(groups, names)
    )
    frozen_set = store.freeze(
        name,
        chosen.sessions,
        by,
        split,
        seed if numbers else None,
        allow_mixed=choice.allow_mixed,
        edges_c=() if chosen.bands is None else chosen.bands.edges_c,
        even_if_warned=choice.even_if_warned,
    )
    return look_at_set(store, frozen_set, read_groups(store, frozen_set), chosen.left_out)


def _bench_groups(store: Store, given: Sequence[str]) -> list[str]:
    """The groups of benches, which may be called as the store does."""
    from dataset.coverage.roles import REST

    known = {bench.name: bench.identity[:ID_DIGITS] for bench in store.benches()}
    return list(given) if list(given) == [REST] else [known.get(name, name) for name in given]


def _with_the_rest(numbers: Mapping[Role, int | None], groups: int) -> dict[Role, int]:
    """The numbers, that of a role without one what the others leave of ``groups``."""
    rest = [role for role, number in numbers.items() if number is None]
    if len(rest) > 1:
        raise InputError(
            "roles",
            f"{' and '.join(rest)} both take the rest",
            "one role without a number",
            fields=("roles",),
        )
    given = sum(number or 0 for number in numbers.values())
    return {role: groups - given if number is None else number for role, number in numbers.items()}


def _one_of(kind: type[E], given: str, where: str) -> E:
    if given not in list(kind):
        raise InputError(where, repr(given), "one of " + ", ".join(kind))
    return kind(given)
