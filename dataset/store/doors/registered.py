"""Whatever is registered, by its kind and what it is called, and what of it is retired."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InputError
from dataset.records import Instrument, Registered
from dataset.store import instruments, registry
from dataset.store.events.retirements import any_said, label, reason_of
from dataset.words import REGISTERED


def registered(orm: OrmSession, kind: str, ref: str) -> Registered:
    """The record of a kind called ``ref``; InputError for a kind that the registry does not have."""
    if kind not in _FIND:
        raise InputError("kind", repr(kind), "one of " + ", ".join(REGISTERED), fields=("kind",))
    return _FIND[kind](orm, ref)


_FIND: Mapping[str, Callable[[OrmSession, str], Registered]] = {
    "tank": lambda orm, ref: registry.to_tank(registry.tank_row(orm, ref)),
    "sensor": lambda orm, ref: registry.to_sensor(registry.sensor_row(orm, ref)),
    "liquid": lambda orm, ref: registry.to_liquid(registry.liquid_row(orm, ref)),
    "unit": lambda orm, ref: registry.to_unit(registry.unit_row(orm, ref)),
    "mounting": lambda orm, ref: registry.to_mounting(registry.mounting_row(orm, ref)),
    "instrument": lambda orm, ref: instruments.history(orm, ref).calibrations[-1],
    "budget": lambda orm, ref: registry.to_budget(registry.budget_row(orm, ref)),
    "limits": lambda orm, ref: registry.to_limits(registry.limits_row(orm, ref)),
    "mapping": lambda orm, ref: registry.to_mapping(registry.mapping_row(orm, ref)),
}
_ALL: Mapping[str, Callable[[OrmSession], Iterable[Registered]]] = {
    "tank": registry.tanks,
    "sensor": registry.sensors,
    "liquid": registry.liquids,
    "unit": registry.units,
    "mounting": registry.mountings,
    "instrument": lambda orm: (known.calibrations[-1] for known in instruments.histories(orm)),
    "budget": registry.budgets,
    "limits": registry.all_limits,
    "mapping": registry.mappings,
}


def retired(orm: OrmSession, kind: str) -> dict[str, str]:
    """What of a kind is retired, by NAME@REVISION or name, and why; an instrument of another bench by
    NAME@BENCH.
    """
    if not any_said(orm, kind):
        return {}
    reasons = {_called(orm, record): reason_of(orm, kind, record) for record in _ALL[kind](orm)}
    return {name: reason for name, reason in reasons.items() if reason is not None}


def _called(orm: OrmSession, record: Registered) -> str:
    if not isinstance(record, Instrument) or record.bench == registry.own_bench(orm).identity:
        return label(record)
    return f"{label(record)}@{registry.bench_row(orm, record.bench).name}"
