"""The registry's rows and records: tanks, liquids, sensors, mountings, units, budgets, limits, column
mappings.

Tanks, sensors and limits have revisions: the same name again is the next one. The others have unique names.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any, Protocol, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.admission import rules
from dataset.canonical import canonical_json, unit_sha256
from dataset.errors import InputError, NotFoundError, there_are
from dataset.records import (
    Bench,
    Budget,
    ColumnMapping,
    LevelUnit,
    Limit,
    Limits,
    Liquid,
    Mounting,
    Operator,
    Pad,
    Registered,
    Sensor,
    Tank,
    TimeUnit,
    Unit,
)
from dataset.store.events.retirements import label, reason_of, refuse_retired
from dataset.store.proof import check_row, keep, record_sha256
from dataset.store.tables import (
    Base,
    BenchRow,
    BudgetRow,
    LimitRow,
    LimitsRow,
    LiquidRow,
    MappingRow,
    MountingRow,
    OperatorRow,
    PadRow,
    RetirementRow,
    SensorRow,
    TankRow,
    UnitRow,
)
from dataset.values import check_name
from dataset.words import REGISTERED

BENCH_DIGITS = 6  # of a bench's identity, where its units need them to be told apart
_LATER = ("encoding", "ignore")  # of a mapping: left out where they say nothing, as before there were any


class _Named(Protocol):
    """A record with a name."""

    @property
    def name(self) -> str: ...


class _Revised(_Named, Protocol):
    """A record with a name and revisions."""

    @property
    def revision(self) -> int: ...


R = TypeVar("R")
N = TypeVar("N", bound=_Named)
V = TypeVar("V", bound=_Revised)
K = TypeVar("K", Tank, Sensor, Limits)


def flat(record: type[R], row: Base, **others: object) -> R:
    """The record whose fields are the row's columns of the same names; ``others`` are given as they are."""
    names = record.__dataclass_fields__  # type: ignore[attr-defined]  # what fields() makes a new tuple of at each call
    values: dict[str, Any] = {name: getattr(row, name) for name in names if name not in others}
    return record(**values, **others)


def to_tank(row: TankRow) -> Tank:
    return flat(Tank, row)


def to_liquid(row: LiquidRow) -> Liquid:
    return flat(Liquid, row)


def to_operator(row: OperatorRow) -> Operator:
    return flat(Operator, row)


def to_bench(row: BenchRow) -> Bench:
    return flat(Bench, row)


def to_unit(row: UnitRow) -> Unit:
    """The unit as this store shows it: of several rows that are one unit, the same record for all."""
    shown = row.same_as or row
    first = shown.first or shown
    given = "" if given_name(first) == given_name(shown) else given_name(first)
    return Unit(shown.name, shown.note, first.serial, first.bench.identity, given)


def stated_unit(row: UnitRow) -> Unit:
    """The unit as its bench of origin registered it, whatever it turned out to be one with."""
    return Unit(given_name(row), row.note, row.serial, row.bench.identity)


def sealed_unit(row: UnitRow) -> Unit | None:
    """The unit that an object's hash names, where it is another than the one which is shown."""
    shown = row.same_as or row
    return None if row is (shown.first or shown) else stated_unit(row)


def given_name(row: UnitRow) -> str:
    """What its bench of origin calls a unit."""
    return row.name.partition("@")[0]


def to_budget(row: BudgetRow) -> Budget:
    """The record, its hash checked again: exports are measured against it."""
    check_row(row, f"budget {row.name}")
    return flat(Budget, row)


def to_sensor(row: SensorRow) -> Sensor:
    pads = tuple(flat(Pad, pad) for pad in row.pads)
    return flat(Sensor, row, pads=pads, count_scale=row.count_scale or 1)


def to_mounting(row: MountingRow) -> Mounting:
    return flat(Mounting, row, tank=to_tank(row.tank), sensor=to_sensor(row.sensor))


def to_limits(row: LimitsRow) -> Limits:
    """The record, its hash checked again: models are judged by it."""
    check_row(row, f"limits {row.name}@{row.revision}")
    return flat(Limits, row, rows=tuple(flat(Limit, limit) for limit in row.rows))


def to_mapping(row: MappingRow) -> ColumnMapping:
    body = json.loads(row.body)
    units = {"time_unit": TimeUnit(body["time_unit"]), "level_unit": LevelUnit(body["level_unit"])}
    tuples = {key: tuple(body.get(key, ())) for key in ("counts", "ignore")}
    return ColumnMapping(**(body | units | tuples | {"name": row.name}))


def tanks(orm: OrmSession) -> tuple[Tank, ...]:
    """All tanks, by name and revision."""
    rows = select(TankRow).order_by(TankRow.name, TankRow.revision)
    return tuple(map(to_tank, orm.scalars(rows)))


def sensors(orm: OrmSession) -> tuple[Sensor, ...]:
    """All sensors, by name and revision."""
    rows = select(SensorRow).order_by(SensorRow.name, SensorRow.revision)
    return tuple(map(to_sensor, orm.scalars(rows)))


def all_limits(orm: OrmSession) -> tuple[Limits, ...]:
    """All limits, by name and revision."""
    rows = select(LimitsRow).order_by(LimitsRow.name, LimitsRow.revision)
    return tuple(map(to_limits, orm.scalars(rows)))


def liquids(orm: OrmSession) -> tuple[Liquid, ...]:
    """All liquids, by name."""
    return tuple(map(to_liquid, orm.scalars(select(LiquidRow).order_by(LiquidRow.name))))


def mountings(orm: OrmSession) -> tuple[Mounting, ...]:
    """All mountings, by name."""
    return tuple(map(to_mounting, orm.scalars(select(MountingRow).order_by(MountingRow.name))))


def units(orm: OrmSession) -> tuple[Unit, ...]:
    """All units, by name; several that are one stand there once."""
    shown = select(UnitRow).where(UnitRow.same_as_id.is_(None)).order_by(UnitRow.name)
    return tuple(map(to_unit, orm.scalars(shown)))


def unit_rows(orm: OrmSession) -> tuple[Unit, ...]:
    """All units as their benches registered them, those that are one too, under the names they have here."""
    rows = orm.scalars(select(UnitRow).order_by(UnitRow.name))
    return tuple(replace(stated_unit(row), name=row.name) for row in rows)


def benches(orm: OrmSession) -> tuple[Bench, ...]:
    """All benches, this store's own first, then by name."""
    rows = select(BenchRow).order_by(BenchRow.own.desc(), BenchRow.name)
    return tuple(map(to_bench, orm.scalars(rows)))


def own_bench(orm: OrmSession) -> BenchRow:
    """The bench that units are of which are added to this store."""
    return orm.scalars(select(BenchRow).where(BenchRow.own)).one()


def operators(orm: OrmSession) -> tuple[Operator, ...]:
    """All operators, by code."""
    return tuple(map(to_operator, orm.scalars(select(OperatorRow).order_by(OperatorRow.name))))


def budgets(orm: OrmSession) -> tuple[Budget, ...]:
    """All budgets, by name."""
    return tuple(map(to_budget, orm.scalars(select(BudgetRow).order_by(BudgetRow.name))))


def mappings(orm: OrmSession) -> tuple[ColumnMapping, ...]:
    """All saved column mappings, by name."""
    return tuple(map(to_mapping, orm.scalars(select(MappingRow).order_by(MappingRow.name))))


def add_tank(orm: OrmSession, tank: Tank) -> Tank:
    rules.check_tank(tank)
    numbered = _next_revision(
        "tank", tank, [to_tank(r) for r in orm.scalars(select(TankRow).where(TankRow.name == tank.name))]
    )
    keep(orm, TankRow(**asdict(numbered)))
    return numbered


def add_sensor(orm: OrmSession, sensor: Sensor) -> Sensor:
    rules.check_sensor(sensor)
    numbered = _next_revision(
        "sensor",
        sensor,
        [to_sensor(r) for r in orm.scalars(select(SensorRow).where(SensorRow.name == sensor.name))],
    )
    others = {
        "pads": [PadRow(**asdict(pad)) for pad in numbered.pads],
        "count_scale": None if numbered.count_scale == 1 else numbered.count_scale,
    }
    keep(orm, SensorRow(**(asdict(numbered) | others)))
    return numbered


def add_limits(orm: OrmSession, limits: Limits) -> Limits:
    rules.check_limits(limits)
    numbered = _next_revision(
        "limits",
        limits,
        [to_limits(r) for r in orm.scalars(select(LimitsRow).where(LimitsRow.name == limits.name))],
    )
    rows = [LimitRow(position=k, **asdict(limit)) for k, limit in enumerate(numbered.rows)]
    keep(orm, LimitsRow(**(asdict(numbered) | {"rows": rows})))
    return numbered


def add_liquid(orm: OrmSession, liquid: Liquid) -> Liquid:
    rules.check_liquid(liquid)
    _refuse_known("liquid", liquid, orm.scalars(select(LiquidRow.name)).all())
    keep(orm, LiquidRow(**asdict(liquid)))
    return liquid


def add_unit(orm: OrmSession, unit: Unit) -> Unit:
    """Add a unit of this store's bench, or of the one that it says it is of."""
    rules.check_unit(unit)
    bench = _bench_of(orm, unit)
    identity = unit_sha256(replace(unit, bench=bench.identity))
    known = orm.scalar(select(UnitRow).where(UnitRow.identity == identity))
    if known is not None and known.name != unit.name:
        raise InputError(
            f"unit {unit.name}",
            f"serial {unit.serial} is that of unit {known.name}",
            "a serial of its own",
            fields=("serial",),
        )
    _refuse_known("unit", unit, orm.scalars(select(UnitRow.name)).all())
    row = UnitRow(name=unit.name, note=unit.note, serial=unit.serial, bench=bench, identity=identity)
    keep(orm, row)
    return to_unit(row)


def _bench_of(orm: OrmSession, unit: Unit) -> BenchRow:
    if not unit.bench:
        return own_bench(orm)
    known = orm.scalar(select(BenchRow).where(BenchRow.identity == unit.bench))
    if known is not None:
        return known
    row = BenchRow(identity=unit.bench, name=f"bench-{unit.bench[:BENCH_DIGITS]}", note="", own=False)
    keep(orm, row)
    return row


def name_bench(orm: OrmSession, ref: str, name: str, note: str | None) -> Bench:
    """Call a bench something else; its identity stays, and so does everything that names it."""
    check_name("bench", name)
    row = bench_row(orm, ref)
    other = orm.scalar(select(BenchRow).where(BenchRow.name == name, BenchRow.id != row.id))
    if other is not None:
        raise InputError(f"bench {name}", "is the name of another bench", "a new name")
    row.name, row.note = name, row.note if note is None else note
    orm.flush()
    row.record_sha256 = record_sha256(orm.connection(), "bench", row.id)
    orm.flush()
    return to_bench(row)


def bench_row(orm: OrmSession, ref: str) -> BenchRow:
    """The bench of this name, or whose identity begins with these digits."""
    rows = orm.scalars(select(BenchRow).order_by(BenchRow.name)).all()
    by_digits = [row for row in rows if len(ref) >= BENCH_DIGITS and row.identity.startswith(ref)]
    return (
        by_digits[0]
        if len(by_digits) == 1
        else named("bench", ref, rows, "see Store.benches()", ("Store.benches()",))
    )


def add_operator(orm: OrmSession, operator: Operator) -> Operator:
    rules.check_operator(operator)
    _refuse_known("operator", operator, orm.scalars(select(OperatorRow.name)).all())
    keep(orm, OperatorRow(**asdict(operator)))
    return operator


def add_budget(orm: OrmSession, budget: Budget) -> Budget:
    rules.check_budget(budget)
    _refuse_known("budget", budget, orm.scalars(select(BudgetRow.name)).all())
    keep(orm, BudgetRow(**asdict(budget)))
    return budget


def add_mounting(orm: OrmSession, mounting: Mounting) -> Mounting:
    rules.check_mounting(mounting)
    _refuse_known("mounting", mounting, orm.scalars(select(MountingRow.name)).all())
    tank, sensor = tank_row(orm, mounting.tank.ref), sensor_row(orm, mounting.sensor.ref)
    same_record("tank", mounting.tank, to_tank(tank))
    same_record("sensor", mounting.sensor, to_sensor(sensor))
    refuse_retired(orm, "tank", mounting.tank)
    refuse_retired(orm, "sensor", mounting.sensor)
    keep(orm, MountingRow(**(asdict(mounting) | {"tank": tank, "sensor": sensor})))
    return mounting


def add_mapping(orm: OrmSession, mapping: ColumnMapping) -> ColumnMapping:
    rules.check_mapping(mapping)
    _refuse_known("mapping", mapping, orm.scalars(select(MappingRow.name)).all())
    body = {k: v for k, v in asdict(mapping).items() if v or k not in _LATER}
    keep(orm, MappingRow(name=mapping.name, body=canonical_json(body)))
    return mapping


def tank_row(orm: OrmSession, ref: str) -> TankRow:
    rows = orm.scalars(select(TankRow).order_by(TankRow.name, TankRow.revision)).all()
    return _revision("tank", ref, rows, lambda row: reason_of(orm, "tank", to_tank(row)) is not None)


def sensor_row(orm: OrmSession, ref: str) -> SensorRow:
    rows = orm.scalars(select(SensorRow).order_by(SensorRow.name, SensorRow.revision)).all()
    return _revision("sensor", ref, rows, lambda row: reason_of(orm, "sensor", to_sensor(row)) is not None)


def limits_row(orm: OrmSession, ref: str) -> LimitsRow:
    rows = orm.scalars(select(LimitsRow).order_by(LimitsRow.name, LimitsRow.revision)).all()
    return _revision("limits", ref, rows, lambda row: reason_of(orm, "limits", to_limits(row)) is not None)


def liquid_row(orm: OrmSession, name: str) -> LiquidRow:
    return named("liquid", name, orm.scalars(select(LiquidRow).order_by(LiquidRow.name)).all())


def unit_row(orm: OrmSession, name: str) -> UnitRow:
    """The unit called ``name``, or ``name@bench`` by the name or the digits of its bench; of several rows
    that are one unit, the one that is shown.
    """
    rows = orm.scalars(select(UnitRow).order_by(UnitRow.name)).all()
    given, at, bench = name.partition("@")
    of_bench = [
        row
        for row in rows
        if at and given_name(row) == given and (row.bench.name == bench or _begins(row.bench, bench))
    ]
    if len(of_bench) != 1 or name in {row.name for row in rows}:
        of_bench = [named("unit", name, rows)]
    return of_bench[0].same_as or of_bench[0]


def _begins(bench: BenchRow, digits: str) -> bool:
    return len(digits) >= BENCH_DIGITS and bench.identity.startswith(digits)


def unit_ids(orm: OrmSession, name: str) -> list[int]:
    """The ids of every row that is the unit called ``name``."""
    shown = unit_row(orm, name)
    return [shown.id, *orm.scalars(select(UnitRow.id).where(UnitRow.same_as_id == shown.id))]


def operator_row(orm: OrmSession, code: str) -> OperatorRow:
    return named("operator", code, orm.scalars(select(OperatorRow).order_by(OperatorRow.name)).all())


def budget_row(orm: OrmSession, name: str) -> BudgetRow:
    return named("budget", name, orm.scalars(select(BudgetRow).order_by(BudgetRow.name)).all())


def mounting_row(orm: OrmSession, name: str) -> MountingRow:
    return named("mounting", name, orm.scalars(select(MountingRow).order_by(MountingRow.name)).all())


def mapping_row(orm: OrmSession, name: str) -> MappingRow:
    return named(
        "mapping",
        name,
        orm.scalars(select(MappingRow).order_by(MappingRow.name)).all(),
        "save one with Store.add_mapping",
        fields=("Store.add_mapping",),
    )


def named(what: str, name: str, rows: Sequence[N], otherwise: str = "", fields: Sequence[str] = ()) -> N:
    """The row called ``name``; NotFoundError names those there are, the nearest first, or says
    ``otherwise``, which names ``fields``.
    """
    for row in rows:
        if row.name == name:
            return row
    adding = f"Store.add_{what}"
    hint = there_are([row.name for row in rows], name, otherwise or f"add it with {adding}")
    raise NotFoundError(f"{what} {name}", "is not in the store", "", hint, fields=fields or (adding,))


def registered(orm: OrmSession, kind: str, ref: str) -> Registered:
    """The record of a kind called ``ref``; InputError for a kind that the registry does not have."""
    if kind not in _FIND:
        raise InputError("kind", repr(kind), "one of " + ", ".join(REGISTERED), fields=("kind",))
    return _FIND[kind](orm, ref)


_FIND: Mapping[str, Callable[[OrmSession, str], Registered]] = {
    "tank": lambda orm, ref: to_tank(tank_row(orm, ref)),
    "sensor": lambda orm, ref: to_sensor(sensor_row(orm, ref)),
    "liquid": lambda orm, ref: to_liquid(liquid_row(orm, ref)),
    "unit": lambda orm, ref: to_unit(unit_row(orm, ref)),
    "mounting": lambda orm, ref: to_mounting(mounting_row(orm, ref)),
    "budget": lambda orm, ref: to_budget(budget_row(orm, ref)),
    "limits": lambda orm, ref: to_limits(limits_row(orm, ref)),
    "mapping": lambda orm, ref: to_mapping(mapping_row(orm, ref)),
}
_ALL: Mapping[str, Callable[[OrmSession], Sequence[Registered]]] = {
    "tank": tanks,
    "sensor": sensors,
    "liquid": liquids,
    "unit": units,
    "mounting": mountings,
    "budget": budgets,
    "limits": all_limits,
    "mapping": mappings,
}


def retired(orm: OrmSession, kind: str) -> dict[str, str]:
    """What of a kind is retired, by NAME@REVISION or name, and why."""
    if orm.scalar(select(RetirementRow.sequence).where(RetirementRow.kind == kind).limit(1)) is None:
        return {}
    reasons = {label(record): reason_of(orm, kind, record) for record in _ALL[kind](orm)}
    return {name: reason for name, reason in reasons.items() if reason is not None}


def refuse_retired_places(orm: OrmSession, unit: Unit, liquid: Liquid, mounting: Mounting) -> None:
    """InputError where a new capture would stand on something that is out of use."""
    for kind, record in (
        ("unit", unit),
        ("liquid", liquid),
        ("mounting", mounting),
        ("tank", mounting.tank),
        ("sensor", mounting.sensor),
    ):
        refuse_retired(orm, kind, record)


def same_record(what: str, given: N, stored: N) -> None:
    """A record handed in must be the one that the store has under its name."""
    if given != stored:
        raise InputError(
            f"{what} {given.name}",
            "is another than the store's",
            "the record as the store gives it",
            f"take it from the store's {what}",
        )


def _refuse_known(what: str, record: _Named, names: Sequence[str]) -> None:
    if record.name in names:
        shown = f"Store.{what}('{record.name}')"
        raise InputError(
            f"{what} {record.name}", "exists already", "a new name", f"see {shown}", fields=(shown,)
        )


def _next_revision(what: str, record: K, earlier: Sequence[K]) -> K:
    """The record with its revision: one more than the last; content that an earlier revision has
    is refused.
    """
    for old in earlier:
        if old == replace(record, revision=old.revision):
            raise InputError(
                f"{what} {record.name}",
                f"exists with exactly this content as {old.ref}",
                "",
                f"use {old.ref}",
            )
    return replace(record, revision=max((old.revision for old in earlier), default=0) + 1)


def _revision(what: str, ref: str, rows: Sequence[V], retired: Callable[[V], bool]) -> V:
    """The row for ``name`` (its latest revision that is in use) or ``name@revision``; ``rows`` are in order
    of revision.
    """
    name, at, number = ref.partition("@")
    if at and not (number.isascii() and number.isdigit() and len(number) <= 9):
        raise InputError(f"{what} {ref}", f"revision {number!r}", "a number, as in name@2")
    mine = [row for row in rows if row.name == name]
    if not mine:
        named(what, name, rows)
    if not at:
        return next((row for row in reversed(mine) if not retired(row)), mine[-1])
    for row in mine:
        if row.revision == int(number):
            return row
    raise NotFoundError(
        f"{what} {ref}",
        "is not in the store",
        "",
        there_are([f"{row.name}@{row.revision}" for row in mine], ref, ""),
    )
