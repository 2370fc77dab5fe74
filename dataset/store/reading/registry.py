"""Rows of the registry as records."""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any, TypeVar, cast

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
        SessionRow,
        TankRow,
        TrimRow,
        UnitRow,
    )

R = TypeVar("R")
T = TypeVar("T")


def flat(record: type[R], row: Base, **others: object) -> R:
    """The record whose fields are the row's columns of the same names; ``others`` are given as they are."""
    names, values = _columns(cast(Hashable, record), tuple(others))
    return made(record, dict(zip(names, values(row), strict=True)) | others)


def made(record: type[R], values: dict[str, Any]) -> R:
    """The record of these values, by its fields; those that are not there have their defaults. The record's
    own way sets field by field, which takes most of the time that it takes to read many.
    """
    one = object.__new__(record)
    one.__dict__.update(values)
    return one


@cache
def _columns(record: Hashable, others: tuple[str, ...]) -> tuple[tuple[str, ...], Callable[[Any], Any]]:
    """The names of a record's fields but for some, and what takes a row's columns of these names."""
    fields: dict[str, Any] = record.__dataclass_fields__  # type: ignore[attr-defined]  # of a kind of record
    names = tuple(name for name in fields if name not in others)
    return names, attrgetter(*names) if len(names) > 1 else lambda row: (getattr(row, names[0]),)


class Shared:
    """Records that many rows of one store lead to, each made once."""

    def __init__(self) -> None:
        self._made: dict[tuple[str, int], Any] = {}

    def mounting(self, row: SessionRow | TrimRow) -> Mounting:
        """The mounting that a row names."""
        return self._one("mounting", row.mounting_id, lambda: to_mounting(row.mounting))

    def liquid(self, row: SessionRow) -> Liquid:
        """The liquid that a row names."""
        return self._one("liquid", row.liquid_id, lambda: to_liquid(row.liquid))

    def unit(self, row: SessionRow | TrimRow) -> Unit:
        """The unit that a row names, as this store shows it."""
        return self._one("unit", row.unit_id, lambda: to_unit(row.unit))

    def sealed_unit(self, row: SessionRow | TrimRow) -> Unit | None:
        """The unit that a row's hash names, where it is another than the one which is shown."""
        return self._one("sealed unit", row.unit_id, lambda: sealed_unit(row.unit))

    def _one(self, what: str, row_id: int, make: Callable[[], T]) -> T:
        key = what, row_id
        if key not in self._made:
            self._made[key] = make()
        record: T = self._made[key]
        return record


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
