"""What comes into the registry, and what is refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.admission import rules
from dataset.canonical import unit_sha256
from dataset.canonical_text import canonical_json
from dataset.errors import InputError
from dataset.records import (
    Bench,
    Budget,
    ColumnMapping,
    Limits,
    Liquid,
    Mounting,
    Operator,
    Sensor,
    Tank,
    Unit,
)
from dataset.store.events.retirements import any_said, refuse_retired
from dataset.store.proof import keep, record_sha256
from dataset.store.reading.registry import (
    to_bench,
    to_limits,
    to_sensor,
    to_tank,
    to_unit,
)
from dataset.store.registry.finding import (
    N,
    Named,
    bench_row,
    own_bench,
    sensor_row,
    tank_row,
    unnamed_bench,
)
from dataset.store.tables import (
    BenchRow,
    BudgetRow,
    LimitRow,
    LimitsRow,
    LiquidRow,
    MappingRow,
    MountingRow,
    OperatorRow,
    PadRow,
    SensorRow,
    TankRow,
    UnitRow,
)
from dataset.values import check_name, check_reason

_LATER = ("encoding", "ignore")  # of a mapping: left out where they say nothing, as before there were any
K = TypeVar("K", Tank, Sensor, Limits)


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
    row = BenchRow(identity=unit.bench, name=unnamed_bench(unit.bench), note="", own=False)
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


def part_bench(orm: OrmSession, name: str, reason: str, identity: str) -> Bench:
    """Give the store a bench of its own, ``identity``, which units, instruments and check standards are of
    from now on. The bench that it had so far stays where everything names it; the new one's note, which its
    hash covers, says which that was, and why.
    """
    check_name("bench", name)
    check_reason(f"bench {name}, reason", reason, "why this store is another bench from now on")
    if orm.scalar(select(BenchRow).where(BenchRow.name == name)) is not None:
        raise InputError(f"bench {name}", "is the name of another bench", "a new name")
    before = own_bench(orm)
    before.own = False
    orm.flush()
    note = f"parted from bench {before.name} ({before.identity}): {reason}"
    row = BenchRow(identity=identity, name=name, note=note, own=True)
    keep(orm, row)
    return to_bench(row)


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


def refuse_retired_places(orm: OrmSession, unit: Unit, liquid: Liquid, mounting: Mounting) -> None:
    """InputError where a new capture would stand on something that is out of use."""
    if not any_said(orm):
        return
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


def _refuse_known(what: str, record: Named, names: Sequence[str]) -> None:
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
