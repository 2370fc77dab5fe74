"""What the columns of a session's file hold, as numbers; a fault is named by file, line and column."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dataset.admission.rules import TOP_COUNT
from dataset.counts import scale_for, too_fine, whole_steps
from dataset.errors import InputError, quoted
from dataset.files.headings import unit_in
from dataset.files.sheet_files import is_number
from dataset.files.sheets import Sheet
from dataset.labels.pours import NOT_KNOWN
from dataset.records import ColumnMapping, LevelUnit, Sensor, Tank, TimeUnit
from dataset.words import counted

LONGEST_S = 2**31 - 1  # what firmware counts seconds in
_SECONDS = ("s", "sec", "second", "seconds")
MAX_T_MS = 2.0**53  # whole milliseconds up to here are exact in a double


class Columns:
    """The columns that a mapping uses, as finite numbers; optional ones with NaN for an empty cell."""

    def __init__(
        self, sheet: Sheet, required: Sequence[str], optional: Sequence[str], whole: Sequence[str] = ()
    ) -> None:
        self.sheet, self._optional = sheet, optional
        self._found = (
            sheet.bulk([*required, *optional], whole)
            or (sheet.bulk(required, whole) if optional else None)
            or {}
        )

    def whole(self, column: str) -> NDArray[np.uint32] | None:
        """A column that came as whole numbers; None for any other."""
        values = self._found.get(column)
        return values if values is not None and values.dtype == np.uint32 else None  # type: ignore[return-value]  # by its dtype

    def __getitem__(self, column: str) -> NDArray[np.float64]:
        optional = column in self._optional
        values = (
            self._found[column].astype(np.float64, copy=False)
            if column in self._found
            else _by_cell(self.sheet, column, optional)
        )
        row = first_of(np.isinf(values) if optional else ~np.isfinite(values))
        if row is not None:
            raise _no_number(self.sheet, row, column, self.sheet.cells(column)[row])
        return values


def _by_cell(sheet: Sheet, column: str, optional: bool) -> NDArray[np.float64]:
    """A column that is not plain numbers all through: cells may be empty where optional, and have decimal
    commas.
    """
    cells = [cell.strip() for cell in sheet.cells(column)]
    decimal_comma = sheet.delimiter != ","
    values = np.full(len(cells), np.nan)
    for row, cell in enumerate(cells):
        if optional and not cell:
            continue
        number = cell.replace(",", ".") if decimal_comma else cell
        if not is_number(number):
            raise _no_number(sheet, row, column, cell)
        values[row] = float(number)
    return values


def _no_number(sheet: Sheet, row: int, column: str, cell: str) -> InputError:
    content = quoted(cell) if cell.strip() else "an empty cell"
    return InputError(sheet.where(row, column), content, "a number", "mend or remove the line")


def first_of(faults: NDArray[np.bool_]) -> int | None:
    return int(np.argmax(faults)) if faults.any() else None


def counts_of(columns: Columns, column: str, sensor: Sensor) -> NDArray[np.uint32]:
    top, scale = (1 << sensor.count_bits) - 1, sensor.count_scale
    counts = columns.whole(column)
    if counts is not None and int(counts.max()) <= top:
        return counts
    values, sheet = columns[column], columns.sheet
    steps, whole = whole_steps(values, scale)
    row = first_of((steps < 0) | (steps > top))
    if row is not None:
        span = f"a whole number from 0 to {top}" if scale == 1 else f"0 to {top / scale:.10g}"
        of = f"{sensor.count_bits} bits" + ("" if scale == 1 else f", {counted(scale, 'step')} a count")
        raise InputError(
            sheet.where(row, column),
            f"a count of {sheet.cells(column)[row].strip()}",
            f"{span} ({of}, sensor {sensor.ref})",
            "check the column, or add a sensor revision with the width that is meant",
        )
    row = first_of(~whole)
    if row is not None:
        cell = sheet.cells(column)[row].strip()
        raise too_fine(sheet.where(row, column), cell, sensor, scale_for(values, TOP_COUNT))
    return steps.astype(np.uint32)


def times_of(columns: Columns, mapping: ColumnMapping, sensor: Sensor) -> NDArray[np.int64]:
    sheet = columns.sheet
    if mapping.time is None:
        return np.arange(sheet.rows, dtype=np.int64) * sensor.period_ms
    values = columns[mapping.time]
    milliseconds = np.rint(values * 1000 if mapping.time_unit is TimeUnit.SECONDS else values)
    row = first_of(np.abs(milliseconds) > MAX_T_MS)
    if row is not None:
        raise InputError(sheet.where(row, mapping.time), f"{values[row]:g}", f"at most {MAX_T_MS:g} ms")
    t_ms = milliseconds.astype(np.int64)
    row = first_of(np.diff(t_ms) <= 0)
    if row is not None:
        raise not_rising(sheet.where(row + 1, mapping.time), mapping, int(t_ms[row]), int(t_ms[row + 1]))
    return t_ms


def not_rising(where: str, mapping: ColumnMapping, before: int, after: int) -> InputError:
    """The error for a time ``after`` that does not follow the one ``before``."""
    stands = "stands still at" if after == before else f"runs back from {before} to"
    return InputError(
        where,
        f"time {stands} {after} ms",
        "each frame at least 1 ms later than the one before",
        _hint_of_time(mapping),
        fields=("ColumnMapping.time", "time_unit"),
    )


def _hint_of_time(mapping: ColumnMapping) -> str:
    if unit_in(mapping.time or "") in _SECONDS and mapping.time_unit is TimeUnit.MILLISECONDS:
        return "its name says seconds: set time_unit to s"
    return "split the file where another session begins, or check ColumnMapping.time and time_unit"


def pours_of(columns: Columns, column: str) -> NDArray[np.int64]:
    """A column of whole seconds since liquid last came in, -1 where a cell is empty: not known."""
    values, sheet = columns[column], columns.sheet
    seconds = np.where(np.isnan(values), NOT_KNOWN, values)
    row = first_of((seconds < NOT_KNOWN) | (seconds > LONGEST_S) | (seconds != np.rint(seconds)))
    if row is not None:
        raise InputError(
            sheet.where(row, column),
            f"{sheet.cells(column)[row].strip()} seconds since liquid last came in",
            f"whole seconds from 0 to {LONGEST_S}, or -1 or an empty cell where that is not known",
            "mend the line, or the column that is named",
        )
    return seconds.astype(np.int64)


def levels_of(columns: Columns, mapping: ColumnMapping, tank: Tank) -> NDArray[np.float64] | None:
    """The level column in millimetres, NaN where a frame is not labelled."""
    if mapping.level is None:
        return None
    values, sheet = columns[mapping.level], columns.sheet
    scale = {LevelUnit.MILLIMETRES: 1.0, LevelUnit.CENTIMETRES: 10.0, LevelUnit.FRACTION: tank.span_mm}[
        mapping.level_unit
    ]
    level = np.round(values * scale, 6)  # 0.07 of 100 mm is 7 mm, not 7.000000000000001
    row = first_of((level < 0) | (level > tank.span_mm))
    if row is not None:
        expected = f"0 to {tank.span_mm:g} mm, the span of tank {tank.ref}"
        beyond = f"a level of {level[row]:g} mm"
        raise InputError(
            sheet.where(row, mapping.level),
            beyond,
            expected,
            f"check level_unit (now {mapping.level_unit.value}) and the tank",
            fields=("level_unit",),
        )
    return level
