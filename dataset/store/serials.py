"""A serial that a unit gets after it was added: its plate was read when sessions stood in the store already.

What a unit is known by never changes, since the hashes of its sessions and trims rest on it. So the serial is
a unit of its own, of the same bench and without sessions, and an event says that the two are one. It travels
and is taken back as any other.
"""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.admission import rules
from dataset.canonical import unit_sha256
from dataset.errors import InputError
from dataset.records import Unit
from dataset.store import registry, units
from dataset.store.events import retirements
from dataset.store.proof import keep
from dataset.store.tables import (
    AmendmentRow,
    OpenCaptureRow,
    SessionRow,
    TrimRow,
    UnitAssignmentRow,
    UnitRow,
)


def give_serial(orm: OrmSession, unit: UnitRow, serial: str, reason: str) -> None:
    """Say that ``serial`` is the serial of a unit which has none, and why.

    Raises:
        InputError: it has one, the serial is another unit's or no text that can be one, or no reason.
    """
    where = f"unit {unit.name}, serial"
    has = _with_serial(orm, unit)
    if has is not None:
        raise InputError(
            where,
            f"is {has.serial} already",
            "a unit without one",
            "where that is wrong, take it back with Store.take_back_serial first",
            fields=("Store.take_back_serial",),
        )
    stated = replace(registry.stated_unit(unit), note="", serial=serial)
    rules.check_unit(stated)
    known = orm.scalar(select(UnitRow).where(UnitRow.identity == unit_sha256(stated)))
    if known is None:
        known = _add(orm, unit, stated)
    elif not _was_taken_back(orm, known):
        raise InputError(
            where,
            f"{serial} is that of unit {known.name}",
            "a serial of its own",
            "where the two are one sample, say so with Store.unite_units",
            fields=("Store.unite_units",),
        )
    elif retirements.reason_of(orm, "unit", registry.to_unit(known)) is not None:
        retirements.take_back(orm, "unit", registry.to_unit(known), reason)
    units.unite(orm, unit, known, reason)


def take_back_serial(orm: OrmSession, unit: UnitRow, reason: str) -> None:
    """Say that a serial which a unit got later is not its own. The unit that has nothing but that serial is
    retired, unless somebody logged on it elsewhere.

    Raises:
        InputError: it got none later, or no reason.
    """
    where = f"unit {unit.name}, serial"
    has = _with_serial(orm, unit)
    if has is None:
        raise InputError(where, "it has none", "a unit that got one later")
    if len(units.class_of(orm, unit)) == 1:
        raise InputError(
            where,
            f"it was added with {has.serial}",
            "a unit that got one later",
            "add another unit, and retire this one",
        )
    units.part_from_all(orm, has, where, reason)
    if not _in_use(orm, has):
        retirements.retire(orm, "unit", registry.to_unit(has), reason)


def _with_serial(orm: OrmSession, unit: UnitRow) -> UnitRow | None:
    return next((row for row in units.class_of(orm, unit) if row.serial is not None), None)


def _add(orm: OrmSession, unit: UnitRow, stated: Unit) -> UnitRow:
    identity = unit_sha256(stated)
    row = UnitRow(
        name=f"{stated.name}@{identity}",  # until it is settled
        note=stated.note,
        serial=stated.serial,
        bench=unit.bench,
        identity=identity,
    )
    keep(orm, row)
    return row


def _was_taken_back(orm: OrmSession, unit: UnitRow) -> bool:
    """Whether a unit is what a serial left that was given to another by mistake."""
    alone = len(units.class_of(orm, unit)) == 1 and not _in_use(orm, unit)
    return alone and bool(units.unions_of(orm, unit))


def _in_use(orm: OrmSession, unit: UnitRow) -> bool:
    """Whether anything was said to be of this very row."""
    rows = (
        select(SessionRow.id).where(SessionRow.unit_id == unit.id),
        select(TrimRow.sequence).where(TrimRow.unit_id == unit.id),
        select(AmendmentRow.sequence).where(AmendmentRow.unit_id == unit.id),
        select(OpenCaptureRow.id).where(OpenCaptureRow.unit_id == unit.id),
        select(UnitAssignmentRow.sequence).where(UnitAssignmentRow.identity == unit.identity),
    )
    return any(orm.scalar(query.limit(1)) is not None for query in rows)
