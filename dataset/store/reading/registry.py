"""Rows of the registry as records."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, TypeVar

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
    Sensor,
    Tank,
    TimeUnit,
    Unit,
)
from dataset.store.proof import check_row

if TYPE_CHECKING:
    from dataset.store.tables import (
        Base,
        BenchRow,
        BudgetRow,
        LimitsRow,
        LiquidRow,
        MappingRow,
        MountingRow,
        OperatorRow,
        SensorRow,
        TankRow,
        UnitRow,
    )

R = TypeVar("R")


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
