"""What the registry has: by its name, by its name and revision, and all of a kind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Protocol, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InputError, NotFoundError, there_are
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
from dataset.store.events.retirements import reason_of
from dataset.store.reading.registry import (
    given_name,
    stated_unit,
    to_bench,
    to_budget,
    to_limits,
    to_liquid,
    to_mapping,
    to_mounting,
    to_operator,
    to_sensor,
    to_tank,
    to_unit,
)
from dataset.store.tables import (
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

BENCH_DIGITS = 6  # of a bench's identity, where its units need them to be told apart


def unnamed_bench(identity: str) -> str:
    """What a bench is called that nobody has given a name."""
    return f"bench-{identity[:BENCH_DIGITS]}"


class Named(Protocol):
    """A record with a name."""

    @property
    def name(self) -> str: ...


class _Revised(Named, Protocol):
    """A record with a name and revisions."""

    @property
    def revision(self) -> int: ...


N = TypeVar("N", bound=Named)
V = TypeVar("V", bound=_Revised)


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


def bench_row(orm: OrmSession, ref: str) -> BenchRow:
    """The bench of this name, or whose identity begins with these digits."""
    rows = orm.scalars(select(BenchRow).order_by(BenchRow.name)).all()
    by_digits = [row for row in rows if len(ref) >= BENCH_DIGITS and row.identity.startswith(ref)]
    return (
        by_digits[0]
        if len(by_digits) == 1
        else named("bench", ref, rows, "see Store.benches()", ("Store.benches()",))
    )


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
