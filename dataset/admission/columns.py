"""Columns of a file that nothing was read from, and those whose name says other than what is read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dataset.errors import InputError, quoted
from dataset.files.headings import speaks_of, unit_in, unit_of
from dataset.files.sheets import Numbers, Sheet
from dataset.records import ColumnMapping, DoorWarning, LevelUnit, TimeUnit

NAMED_OTHERWISE = "column named otherwise"
_LENGTHS = {
    "mm": LevelUnit.MILLIMETRES,
    "cm": LevelUnit.CENTIMETRES,
    "%": None,
    "m": None,
    "in": None,
    "inch": None,
}
_TIMES = {
    **dict.fromkeys(("s", "sec", "second", "seconds"), TimeUnit.SECONDS),
    **dict.fromkeys(("ms", "msec"), TimeUnit.MILLISECONDS),
    **dict.fromkeys(("us", "min", "h")),
}
_NOT_CELSIUS = ("f", "degf", "fahrenheit", "k", "kelvin")
_WARMEST_C = 200.0  # above it no tank of the kind is measured: common practice, no source


@dataclass(frozen=True)
class LeftOut:
    """A column that looks like ``field`` (time, level or temperature), which was not named."""

    where: str
    column: str
    field: str


def unused_columns(sheet: Sheet, mapping: ColumnMapping) -> tuple[str, ...]:
    """The columns with a name that neither a field took nor somebody left out on purpose."""
    known = {*mapping.columns, *mapping.ignore}
    return tuple(name for name in sheet.header if name and name not in known) if mapping.header else ()


def left_out(sheet: Sheet, mapping: ColumnMapping) -> tuple[LeftOut, ...]:
    """Unused columns whose name and numbers are those of a time, level or temperature that is not read."""
    looks = likely_left_out(sheet, mapping)
    for look in looks:
        look.add(sheet)
    return tuple(look.left_out for look in looks if look.passes)


def likely_left_out(sheet: Sheet, mapping: ColumnMapping) -> list[Look]:
    """As :func:`left_out`, by their names alone; their numbers are to be looked at."""
    labelled = mapping.level or mapping.mass or mapping.poured
    missing = {
        field
        for field, given in (
            ("time", mapping.time),
            ("level", labelled),
            ("temperature", mapping.temperature),
        )
        if given is None
    }
    likely = [(name, speaks_of(name)) for name in unused_columns(sheet, mapping)]
    return [
        Look(LeftOut(sheet.top(), name, field))
        for name, field in likely
        if field in missing and sheet.header.count(name) == 1
    ]


class Look:
    """Whether a column's numbers can be a time, a level, a temperature in degrees Celsius."""

    def __init__(self, left_out: LeftOut) -> None:
        self.left_out = left_out
        self._may_be, self._known, self._rows = True, 0, 0
        self._last: Numbers = np.empty(0)

    def add(self, sheet: Sheet) -> None:
        """Look at the numbers in a sheet, or in the next piece of one."""
        self.add_numbers(numbers_in(sheet, self.left_out.column))

    def add_numbers(self, values: Numbers | None) -> None:
        """Look at numbers; None: there is something else among them."""
        if values is None:
            self._may_be = False
            return
        known: Numbers = values[np.isfinite(values)]
        self._known, self._rows = self._known + len(known), self._rows + len(values)
        if self.left_out.field == "temperature":
            self._may_be = self._may_be and bool((np.abs(known) < _WARMEST_C).all())
        if self.left_out.field == "time":
            rising = np.diff(np.concatenate((self._last, known))) > 0
            self._may_be = self._may_be and bool(rising.all())
            self._last = known[-1:]

    @property
    def passes(self) -> bool:
        """Whether all numbers can be that."""
        if self.left_out.field == "time":
            return self._may_be and self._known == self._rows > 1
        return self._may_be and self._known > 0


def numbers_in(sheet: Sheet, column: str) -> Numbers | None:
    """A column's numbers, None where something else stands in it."""
    try:
        return (sheet.bulk([column]) or {}).get(column)
    except InputError:
        return None


def refuse_left_out(columns: Sequence[LeftOut], *, labelled: bool = False) -> None:
    """InputError for the first of them; ``labelled``: levels come from elsewhere."""
    for column in columns:
        if column.field != "level" or not labelled:
            name = quoted(column.column)
            raise InputError(
                column.where,
                f"column {name} looks like the {column.field}, and no column is named for that",
                "a column for it, or that it is left out on purpose",
                f"say ColumnMapping.{column.field} {name} or ColumnMapping.ignore {name}",
                fields=(f"ColumnMapping.{column.field}", "ColumnMapping.ignore"),
            )


def named_otherwise(sheet: Sheet, mapping: ColumnMapping) -> tuple[DoorWarning, ...]:
    """Columns of time, level and temperature whose name, or the unit below it, says another unit, and a
    temperature that is read as a level.
    """
    warnings: list[str] = []
    if mapping.level is not None:
        if speaks_of(mapping.level) == "temperature":
            warnings.append(f"the level is read from {mapping.level!r}, which speaks of a temperature")
        unit = _unit(sheet, mapping.level)
        if unit in _LENGTHS and _LENGTHS[unit] is not mapping.level_unit:
            warnings.append(f"{mapping.level!r} speaks of {unit} and is read in {mapping.level_unit.value}")
    if mapping.time is not None:
        unit = _unit(sheet, mapping.time)
        if unit in _TIMES and _TIMES[unit] is not mapping.time_unit:
            warnings.append(f"{mapping.time!r} speaks of {unit} and is read in {mapping.time_unit.value}")
    if mapping.temperature is not None and _unit(sheet, mapping.temperature) in _NOT_CELSIUS:
        warnings.append(f"{mapping.temperature!r} speaks of other degrees and is read in degrees Celsius")
    return tuple(DoorWarning(NAMED_OTHERWISE, sentence) for sentence in warnings)


def _unit(sheet: Sheet, column: str) -> str:
    return unit_of(sheet.units.get(column, "")) or unit_in(column)
