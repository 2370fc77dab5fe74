"""Units as a list names them, a line each: all checked first, then all added or none."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.files.record_lines import RecordLine, read_record_lines, record_of
from dataset.records import Unit
from innage.jobs.batch.faults import check_each

if TYPE_CHECKING:
    from dataset.store import Store


@dataclass(frozen=True)
class UnitLine:
    """What a line states of a unit."""

    name: str
    serial: str = ""
    note: str = ""


HEADINGS = tuple(field.name for field in fields(UnitLine))


def add_units_from(store: Store, path: Path) -> tuple[tuple[Unit, ...], tuple[int, ...]]:
    """Add a unit a line: all of them, or none. A unit that is there already as the line says is skipped.

    Args:
        store: the open store.
        path: CSV with headings as :class:`UnitLine` has fields.

    Returns:
        The units that were added, and the lines of those that were there.

    Raises:
        InputError: headings or lines that can't be read.
        LinesRefusedError: lines that can't be used, each with what is wrong; nothing is added then.
    """
    from dataset.admission.rules import check_unit

    lines = read_record_lines(path, HEADINGS, also={"unit": "name"})
    there = {unit.name: unit for unit in store.units()}
    new: dict[str, tuple[Unit, RecordLine]] = {}
    known: list[int] = []

    def check(line: RecordLine) -> None:
        stated = record_of(UnitLine, line)
        unit = Unit(stated.name, stated.note, stated.serial or None)
        check_unit(unit)
        if unit.name in new:
            before = new[unit.name][1].number
            raise InputError(line.place("name"), f"unit {unit.name} again, as in line {before}", "each once")
        if unit.name not in there:
            new[unit.name] = unit, line
        elif there[unit.name] == unit:
            known.append(line.number)
        else:
            raise InputError(
                line.place("name"),
                f"unit {unit.name} is in the store with another {_other(unit, there[unit.name])}",
                "a new name, or the same unit",
                "a serial that it did not have yet is given to it with Store.give_serial",
                fields=("Store.give_serial",),
            )

    check_each(path, lines, HEADINGS, check)
    return store.add_units([unit for unit, _ in new.values()]), tuple(known)


def _other(stated: Unit, known: Unit) -> str:
    """What is other of a unit that the store has, and what it is there."""
    return f"serial, {known.serial!r}" if stated.serial != known.serial else f"note, {known.note!r}"
