"""Which units are one, which objects are of them, and what this store calls them.

Two samples of one name are never one. Two units are one where a union says so, or where a session that tells
a recording from others is assigned to both: two stores held it before units had identities. All of this
follows from events, whatever order they come in; :func:`settle` works it out and keeps it with the rows.

Of units that are one, a store shows its own bench's, else the one that it has longest; all stores know them
by the smallest identity of those with a serial, else by the smallest. Of several units of one name, the
store's own bench's keeps it, else the one that had it first; the others are called ``name@bench``, with the
first digits of their bench's identity.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical import unit_sha256
from dataset.errors import InputError, StoreError
from dataset.records import ID_DIGITS, UnitUnion
from dataset.store.proof import keep, raw
from dataset.store.registry import BENCH_DIGITS, given_name, stated_unit
from dataset.store.tables import BenchRow, SessionRow, UnitAssignmentRow, UnitRow, UnitUnionRow
from dataset.values import check_text


def assign(orm: OrmSession, object_sha256: str, unit: UnitRow) -> None:
    """Say of which unit an object is, where its own hash says it by a name only."""
    if unit.serial is None:
        keep(orm, UnitAssignmentRow(object_sha256=object_sha256, identity=unit.identity))


def unite(orm: OrmSession, one: UnitRow, other: UnitRow, reason: str) -> None:
    """Record that two units are one sample, and why."""
    where = f"units {one.name} and {other.name}"
    _check_reason(where, reason, "how somebody knows that they are one")
    if one.id == other.id:
        raise InputError(where, "are one already", "two units")
    identity, second = sorted((one.identity, other.identity))
    events = _events_of(orm, identity, second)
    ended = max((str(e.record_sha256) for e in _last(events)), default=None)
    keep(orm, UnitUnionRow(identity=identity, other=second, reason=reason, parent_sha256=ended))
    settle(orm)


def part(orm: OrmSession, one: UnitRow, other: UnitRow, reason: str) -> None:
    """Take back that two units are one, and say why; InputError where no union says so."""
    where = f"units {given_name(one)} and {given_name(other)}"
    _check_reason(where, reason, "how somebody knows that they are two")
    members = {row.identity for row in class_of(orm, one)}
    standing = [e for e in _standing(orm) if e.identity in members and e.other in members]
    if not standing:
        raise InputError(where, "nothing says that they are one", "two units that were united")
    _take_back(orm, standing, reason)


def _take_back(orm: OrmSession, events: Iterable[UnitUnionRow], reason: str) -> None:
    for event in events:
        keep(
            orm,
            UnitUnionRow(
                identity=event.identity,
                other=event.other,
                reason=reason,
                parent_sha256=event.record_sha256,
                takes_back=True,
            ),
        )
    settle(orm)


def class_of(orm: OrmSession, unit: UnitRow) -> list[UnitRow]:
    """The rows that are one with ``unit``, itself among them, in the order of their identities."""
    return next(rows for rows in _classes(orm) if any(row.id == unit.id for row in rows))


def part_from_all(orm: OrmSession, unit: UnitRow, where: str, reason: str) -> None:
    """Take back every union of ``unit`` with another, and say why; InputError where there is none."""
    _check_reason(where, reason, "how somebody knows that they are two")
    events = [e for e in _standing(orm) if unit.identity in (e.identity, e.other)]
    if not events:
        raise InputError(where, "nothing was said later of what it is", "a unit that something was said of")
    _take_back(orm, events, reason)


def unions_of(orm: OrmSession, unit: UnitRow) -> list[UnitUnion]:
    """What was said of ``unit`` being one with others, and taken back, in the order in which it came."""
    members = {row.identity for row in class_of(orm, unit)}
    shown = unit.same_as or unit
    rows = {row.identity: row for row in orm.scalars(select(UnitRow))}
    events = [
        event
        for event in orm.scalars(select(UnitUnionRow).order_by(UnitUnionRow.sequence))
        if event.identity in members or event.other in members
    ]
    said = []
    for event in events:
        other = rows[event.other if event.identity == shown.identity else event.identity]
        said.append(UnitUnion(other.name, other.serial, event.reason, bool(event.takes_back)))
    return said


def settle(orm: OrmSession) -> list[tuple[UnitRow, ...]]:
    """Work out from the events which units are one and what each is called; the groups of several."""
    own = orm.scalars(select(BenchRow.id).where(BenchRow.own)).one()
    classes = _classes(orm)
    for rows in classes:
        leader, first = _leader(rows, own), _first(rows)
        for row in rows:
            row.same_as_id = None if row is leader else leader.id
            row.first_id = first.id if row is leader and first is not leader else None
    names = _names(classes, own)
    changed = [row for row in names if row.name != names[row]]
    for step in ("{0}@{1}", ""):  # a name that another one still has can't be taken at once
        for row in changed:
            row.name = step.format(given_name(row), row.identity) if step else names[row]
        orm.flush()
    for rows in classes:
        for row in rows:
            orm.expire(row, ["same_as", "first"])
    return [tuple(rows) for rows in classes if len(rows) > 1]


def contested(orm: OrmSession) -> list[tuple[str, tuple[UnitRow, ...]]]:
    """Objects that are assigned to units which are not one, by their hashes."""
    by_identity = {row.identity: row for row in orm.scalars(select(UnitRow))}
    return [
        (object_sha256, tuple(by_identity[identity] for identity in sorted(identities)))
        for object_sha256, identities in sorted(_assigned_twice(orm).items())
        if len({by_identity[i].same_as_id or by_identity[i].id for i in identities}) > 1
    ]


def check_assigned(orm: OrmSession, what: str, object_sha256: str, unit: UnitRow) -> None:
    """StoreError unless an object is of the unit that it is assigned to."""
    if unit.serial is not None:
        return  # its own hash says so
    query = "SELECT identity FROM unit_assignment WHERE object_sha256 = ?"
    if unit.identity not in raw(orm.connection(), query, object_sha256).scalars().all():
        raise StoreError(what, f"is of unit {unit.name}, which it is not assigned to", "the unit assigned")


def check_bench(row: BenchRow) -> None:
    """StoreError unless a bench is called what it may be called."""
    _check_name(f"bench {row.name}", row.name, (row.identity[:BENCH_DIGITS],))


def check_unit(row: UnitRow) -> None:
    """StoreError unless a unit has its identity, and is called what it may be called."""
    actual = unit_sha256(stated_unit(row))
    if actual != row.identity:
        raise StoreError(
            f"unit {row.name}", f"its identity is {actual[:ID_DIGITS]}", row.identity[:ID_DIGITS]
        )
    _check_name(f"unit {row.name}", row.name, _endings(row))


def check_all(orm: OrmSession) -> None:
    """StoreError unless there is one bench of the store's own, and units are one where events say so."""
    own = orm.scalars(select(BenchRow).where(BenchRow.own)).all()
    if len(own) != 1:
        raise StoreError("list of benches", f"{len(own)} are this store's own", "one")
    known = set(orm.scalars(select(UnitRow.identity)))
    named = {i for e in orm.scalars(select(UnitUnionRow)) for i in (e.identity, e.other)}
    named |= set(orm.scalars(select(UnitAssignmentRow.identity)))
    if named - known:
        lost = min(named - known)[:ID_DIGITS]
        raise StoreError("list of units", f"events name {lost}, which is not there", "the unit of each event")
    for rows in _classes(orm):
        leader, first = _leader(rows, own[0].id), _first(rows)
        for row in rows:
            same = None if row is leader else leader.id
            expected = (same, first.id if row is leader and first is not leader else None)
            if (row.same_as_id, row.first_id) != expected:
                raise StoreError(
                    f"unit {row.name}", "is shown in place of others", "as assignments and unions say"
                )


def _classes(orm: OrmSession) -> list[list[UnitRow]]:
    """Units that are one, each group in the order of their identities."""
    rows = orm.scalars(select(UnitRow).order_by(UnitRow.identity)).all()
    root = {row.identity: row.identity for row in rows}

    def find(identity: str) -> str:
        while root[identity] != identity:
            identity = root[identity]
        return identity

    links = [(event.identity, event.other) for event in _standing(orm)]
    twice = _assigned_twice(orm)
    telling = select(SessionRow.sha256).where(SessionRow.counts_sha256.is_not(None))
    for object_sha256 in twice.keys() & set(orm.scalars(telling)) if twice else ():
        first, *others = sorted(twice[object_sha256])
        links += [(first, other) for other in others]
    for one, other in links:
        if one in root and other in root:
            low, high = sorted((find(one), find(other)))
            root[high] = low
    classes: defaultdict[str, list[UnitRow]] = defaultdict(list)
    for row in rows:
        classes[find(row.identity)].append(row)
    return list(classes.values())


def _assigned_twice(orm: OrmSession) -> dict[str, set[str]]:
    """Objects that are assigned to several identities."""
    several = (
        select(UnitAssignmentRow.object_sha256)
        .group_by(UnitAssignmentRow.object_sha256)
        .having(func.count(UnitAssignmentRow.identity.distinct()) > 1)
    )
    of_these = select(UnitAssignmentRow.object_sha256, UnitAssignmentRow.identity).where(
        UnitAssignmentRow.object_sha256.in_(several)
    )
    twice: defaultdict[str, set[str]] = defaultdict(set)
    for object_sha256, identity in orm.execute(of_these):
        twice[object_sha256].add(identity)
    return dict(twice)


def _leader(rows: Sequence[UnitRow], own: int) -> UnitRow:
    return min(rows, key=lambda row: (row.bench_id != own, row.id))


def _first(rows: Sequence[UnitRow]) -> UnitRow:
    """The one whose identity all stores take: a serial says more than a name that some bench gave."""
    return min(rows, key=lambda row: (row.serial is None, row.identity))


def _names(classes: Iterable[Sequence[UnitRow]], own: int) -> dict[UnitRow, str]:
    """What each unit is called."""
    leaders = {_leader(rows, own) for rows in classes}
    order = sorted(
        (row for rows in classes for row in rows),
        key=lambda row: (row not in leaders, row.bench_id != own, "@" in row.name, row.identity),
    )
    names: dict[UnitRow, str] = {}
    taken: set[str] = set()
    for row in order:
        ended = [f"{given_name(row)}@{ending}" for ending in _endings(row)]
        names[row] = next(name for name in (given_name(row), *ended) if name not in taken)
        taken.add(names[row])
    return names


def _endings(row: UnitRow) -> tuple[str, ...]:
    """What may follow the '@': digits of the bench, and of the unit where these are not enough."""
    bench = row.bench.identity[:BENCH_DIGITS]
    return (bench, f"{bench}-{row.identity[:BENCH_DIGITS]}", f"{bench}-{row.identity}")


def _check_name(where: str, name: str, endings: Sequence[str]) -> None:
    _, at, ending = name.partition("@")
    if at and ending not in endings:
        raise StoreError(where, f"its name ends in {ending}", f"digits of its identity, {endings[0]}")


def _events_of(orm: OrmSession, identity: str, other: str) -> Sequence[UnitUnionRow]:
    same = (UnitUnionRow.identity == identity, UnitUnionRow.other == other)
    return orm.scalars(select(UnitUnionRow).where(*same)).all()


def _standing(orm: OrmSession) -> list[UnitUnionRow]:
    """The unions that nobody took back."""
    events = orm.scalars(select(UnitUnionRow).order_by(UnitUnionRow.sequence)).all()
    taken_back = {event.parent_sha256 for event in events if event.takes_back}
    return [e for e in events if not e.takes_back and e.record_sha256 not in taken_back]


def _last(events: Iterable[UnitUnionRow]) -> list[UnitUnionRow]:
    """The take-backs that no union followed yet."""
    events = list(events)
    followed = {event.parent_sha256 for event in events if not event.takes_back}
    return [e for e in events if e.takes_back and e.record_sha256 not in followed]


def _check_reason(where: str, reason: str, what: str) -> None:
    if not reason.strip():
        raise InputError(
            f"{where}, reason", "nothing", f"a few words that say, a year later, {what}", fields=("reason",)
        )
    check_text(f"{where}, reason", reason)
