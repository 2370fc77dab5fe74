"""What a frozen set calls its units, and its tanks where these are its groups: by content, so that a set has
the same groups, the same hash and the same models in every store.

A store's own names do not do: each calls its own bench's unit by the plain name, and counts revisions of a
tank as they came.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from dataset.canonical import tank_content_sha256, unit_sha256
from dataset.records import GroupBy, Session, Tank, Trim, Unit

DIGITS = 6  # of a hash, where names need them to be told apart
R = TypeVar("R", Session, Trim)


def unit_names(units: Iterable[Unit]) -> dict[tuple[str, str], str]:
    """For each unit (by :attr:`Unit.key`) its name at its bench of origin, with digits of the bench where
    several have that name, and of the unit where that does not do.
    """
    return _told_apart(
        {unit.key: unit for unit in units},
        lambda unit: unit.origin_name,
        lambda unit: (unit.bench[:DIGITS], f"{unit.bench[:DIGITS]}-{unit_sha256(unit)[:DIGITS]}"),
    )


def tank_names(tanks: Iterable[Tank]) -> dict[str, str]:
    """For each tank (by the hash of its content) its name, with digits of that hash where several have it."""
    by_content = {tank_content_sha256(tank): tank for tank in tanks}
    return _told_apart(by_content, lambda tank: tank.name, lambda tank: (tank_content_sha256(tank)[:DIGITS],))


def renamed(records: Sequence[R], names: Mapping[tuple[str, str], str]) -> tuple[R, ...]:
    """The records with their units called by ``names``; other units keep their names."""
    return called(records, [names.get(record.unit.key, record.unit.name) for record in records])


def called(records: Sequence[R], names: Sequence[str]) -> tuple[R, ...]:
    """The records, the unit of each called by the name in its place."""
    units: dict[tuple[int, str], Unit] = {}
    with_names: list[R] = []
    for record, name in zip(records, names, strict=True):
        unit, key = record.unit, (id(record.unit), name)
        if key not in units:
            units[key] = replace(unit, name=name, given_name=unit.origin_name)
        other = object.__new__(type(record))  # replace() sets its many fields one by one
        other.__dict__.update(record.__dict__, unit=units[key])
        with_names.append(other)
    return tuple(with_names)


def with_tank_groups(sessions: Sequence[Session]) -> tuple[Session, ...]:
    """The sessions with the names of their tanks as groups of a set."""
    names = tank_names(session.mounting.tank for session in sessions)
    return tuple(
        replace(session, tank_group=names[tank_content_sha256(session.mounting.tank)]) for session in sessions
    )


def group_names(sessions: Sequence[Session], group_by: GroupBy) -> dict[str, str]:
    """What a set of these sessions calls each group that the store knows by another name."""
    if group_by is GroupBy.UNIT:
        names = unit_names(session.unit for session in sessions)
        return {session.unit.name: names[session.unit.key] for session in sessions}
    if group_by is GroupBy.TANK:
        named = with_tank_groups(sessions)
        return {s.mounting.tank.ref: s.tank_group for s in named if s.tank_group is not None}
    return {}


K = TypeVar("K", bound=Hashable)
T = TypeVar("T")


def _told_apart(
    records: Mapping[K, T], name_of: Callable[[T], str], endings_of: Callable[[T], Sequence[str]]
) -> dict[K, str]:
    """A name for each: its own, where no other has that, else with the first ending that tells it apart."""
    by_name: defaultdict[str, list[K]] = defaultdict(list)
    for key, record in records.items():
        by_name[name_of(record)].append(key)
    names: dict[K, str] = {}
    for name, keys in by_name.items():
        endings = {key: endings_of(records[key]) for key in keys}
        for key in keys:
            alone = [
                ending
                for k, ending in enumerate(endings[key])
                if sum(other[k] == ending for other in endings.values()) == 1
            ]
            names[key] = name if len(keys) == 1 else f"{name}@{(alone or endings[key][-1:])[0]}"
    return names
