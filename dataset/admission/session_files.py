"""Capture sessions from files: any delimiter, any column names; a fault is named by file, line and column."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dataset.admission.columns import LeftOut, left_out, named_otherwise, unused_columns
from dataset.admission.medians import median
from dataset.admission.rules import TOP_COUNT, check_period
from dataset.admission.starts import Start, start_of
from dataset.counts import scale_for, too_fine, whole_steps
from dataset.errors import InputError, quoted
from dataset.files.delimited import DELIMITERS
from dataset.files.headings import unit_in
from dataset.files.sheet_files import STANDARD_INPUT, is_number, read_content, sheet_of
from dataset.files.sheets import Sheet
from dataset.labels.instruments import NOTHING_USED, Calibrations, Used, used_at
from dataset.labels.marking import Labelling, Method, level_of, marks_of_readings
from dataset.labels.ramps import Stream
from dataset.records import (
    ColumnMapping,
    DoorWarning,
    Frames,
    LevelUnit,
    Mark,
    Sensor,
    Source,
    Tank,
    TimeUnit,
)
from dataset.values import GAP_PERIODS

_SECONDS = ("s", "sec", "second", "seconds")
MAX_T_MS = 2.0**53  # whole milliseconds up to here are exact in a double


@dataclass(frozen=True)
class ParsedFile:
    """One file's frames and marks. ``gaps`` counts steps of time longer than 1.5 median periods; ``labelled``
    counts frames. ``unused`` are the names of the columns that no field took, ``left_out`` those of them that
    look like a time, level or temperature that is not there. ``warnings`` are those of the columns' names.
    ``started`` is when it began, where that was asked for, ``used`` the instruments that its levels rest on.
    """

    frames: Frames
    marks: tuple[Mark, ...]
    source: Source
    delimiter: str
    gaps: int
    median_period_ms: float | None
    unused: tuple[str, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    warnings: tuple[DoorWarning, ...] = ()
    started: str | None = None
    used: Used = NOTHING_USED

    @property
    def labelled(self) -> int:
        return sum(m.stop - m.start for m in self.marks)


class _Columns:
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
        row = _first(np.isinf(values) if optional else ~np.isfinite(values))
        if row is not None:
            raise _no_number(self.sheet, row, column, self.sheet.cells(column)[row])
        return values


def read_file(
    path: Path,
    mapping: ColumnMapping,
    sensor: Sensor,
    tank: Tank,
    labelling: Labelling | None = None,
    start: Start | None = None,
    instruments: Sequence[Calibrations] = (),
) -> ParsedFile:
    """Read one capture session.

    Args:
        path: delimited text in UTF-8 or a Parquet file, as in :mod:`dataset.files.sheet_files`.
        mapping: which column holds what.
        sensor: gives channels, count width and period.
        tank: gives the span that levels lie within, and the profile that turns volumes into levels.
        labelling: how masses and poured volumes become levels; only needed where the mapping has a column of
            them.
        start: when the session began, or where the file says it; None is not stated.
        instruments: that levels were measured with, which adds their uncertainties to the labels.

    Raises:
        InputError: the first fault: file, line, column, what was found, what was expected.
    """
    if len(mapping.counts) != sensor.channels:
        pads = ", ".join(sensor.channel_names)
        named = f"{len(mapping.counts)} count columns ({', '.join(mapping.counts)})"
        raise InputError(
            str(path),
            named,
            f"{sensor.channels}, one for each pad of {sensor.ref} in channel order: {pads}",
        )
    content = read_content(path)
    sheet = sheet_of(path, content, mapping)
    columns = _Columns(
        sheet,
        [c for c in (*mapping.counts, mapping.time) if c],
        [c for c in (mapping.level, mapping.mass, mapping.poured, mapping.temperature) if c],
        mapping.counts if sensor.count_scale == 1 else (),
    )
    counts = np.stack([_counts(columns, column, sensor) for column in mapping.counts], axis=1)
    t_ms = _times(columns, mapping, sensor)
    steps = np.diff(t_ms)
    period = median(steps) if len(steps) else None
    if period is not None:
        check_period(str(path), sensor, period)
    started = None if start is None else start_of(start, sheet)
    used = used_at(instruments, started)
    labelling = None if labelling is None else used.over(labelling)
    beside = mapping if start is None or start.way != "column" else _left_to(mapping, start.text)
    return ParsedFile(
        frames=Frames(t_ms, counts, None if mapping.temperature is None else columns[mapping.temperature]),
        marks=_labels(columns, mapping, tank, labelling),
        source=Source(
            "standard input" if path == STANDARD_INPUT else path.name, hashlib.sha256(content).hexdigest()
        ),
        delimiter=sheet.delimiter,
        gaps=0 if period is None else int(np.count_nonzero(steps > GAP_PERIODS * period)),
        median_period_ms=period,
        unused=unused_columns(sheet, beside),
        left_out=left_out(sheet, beside),
        warnings=(*named_otherwise(sheet, mapping), *used.warnings),
        started=started,
        used=used,
    )


def _left_to(mapping: ColumnMapping, column: str) -> ColumnMapping:
    """The mapping, ``column`` of which somebody else reads."""
    return replace(mapping, ignore=(*mapping.ignore, column))


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


def _first(faults: NDArray[np.bool_]) -> int | None:
    return int(np.argmax(faults)) if faults.any() else None


def _counts(columns: _Columns, column: str, sensor: Sensor) -> NDArray[np.uint32]:
    top, scale = (1 << sensor.count_bits) - 1, sensor.count_scale
    counts = columns.whole(column)
    if counts is not None and int(counts.max()) <= top:
        return counts
    values, sheet = columns[column], columns.sheet
    steps, whole = whole_steps(values, scale)
    row = _first((steps < 0) | (steps > top))
    if row is not None:
        span = f"a whole number from 0 to {top}" if scale == 1 else f"0 to {top / scale:.10g}"
        of = f"{sensor.count_bits} bits" + ("" if scale == 1 else f", {scale} steps a count")
        raise InputError(
            sheet.where(row, column),
            f"a count of {sheet.cells(column)[row].strip()}",
            f"{span} ({of}, sensor {sensor.ref})",
            "check the column, or add a sensor revision with the width that is meant",
        )
    row = _first(~whole)
    if row is not None:
        cell = sheet.cells(column)[row].strip()
        raise too_fine(sheet.where(row, column), cell, sensor, scale_for(values, TOP_COUNT))
    return steps.astype(np.uint32)


def _times(columns: _Columns, mapping: ColumnMapping, sensor: Sensor) -> NDArray[np.int64]:
    sheet = columns.sheet
    if mapping.time is None:
        return np.arange(sheet.rows, dtype=np.int64) * sensor.period_ms
    values = columns[mapping.time]
    milliseconds = np.rint(values * 1000 if mapping.time_unit is TimeUnit.SECONDS else values)
    row = _first(np.abs(milliseconds) > MAX_T_MS)
    if row is not None:
        raise InputError(sheet.where(row, mapping.time), f"{values[row]:g}", f"at most {MAX_T_MS:g} ms")
    t_ms = milliseconds.astype(np.int64)
    row = _first(np.diff(t_ms) <= 0)
    if row is not None:
        stands = "stands still at" if t_ms[row + 1] == t_ms[row] else f"runs back from {t_ms[row]} to"
        expected = "each frame at least 1 ms later than the one before"
        raise InputError(
            sheet.where(row + 1, mapping.time),
            f"time {stands} {t_ms[row + 1]} ms",
            expected,
            _hint_of_time(mapping),
            fields=("ColumnMapping.time", "time_unit"),
        )
    return t_ms


def _hint_of_time(mapping: ColumnMapping) -> str:
    if unit_in(mapping.time or "") in _SECONDS and mapping.time_unit is TimeUnit.MILLISECONDS:
        return "its name says seconds: set time_unit to s"
    return "split the file where another session begins, or check ColumnMapping.time and time_unit"


def _levels(columns: _Columns, mapping: ColumnMapping, tank: Tank) -> NDArray[np.float64] | None:
    """The level column in millimetres, NaN where a frame is not labelled."""
    if mapping.level is None:
        return None
    values, sheet = columns[mapping.level], columns.sheet
    scale = {LevelUnit.MILLIMETRES: 1.0, LevelUnit.CENTIMETRES: 10.0, LevelUnit.FRACTION: tank.span_mm}[
        mapping.level_unit
    ]
    level = np.round(values * scale, 6)  # 0.07 of 100 mm is 7 mm, not 7.000000000000001
    row = _first((level < 0) | (level > tank.span_mm))
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


def _marks(
    level: NDArray[np.float64] | None, u_mm: float | None, u_common_mm: float | None
) -> tuple[Mark, ...]:
    """A mark for every run of frames with one level."""
    if level is None:
        return ()
    labelled = ~np.isnan(level)
    keyed = np.where(labelled, level, -1.0)
    starts = np.flatnonzero(np.concatenate(([True], keyed[1:] != keyed[:-1])))
    stops = np.append(starts[1:], len(level))
    return tuple(
        Mark(int(a), int(b), float(level[a]) + 0.0, u_mm, u_common_mm)
        for a, b in zip(starts, stops, strict=True)
        if labelled[a]
    )


def _labels(
    columns: _Columns, mapping: ColumnMapping, tank: Tank, labelling: Labelling | None
) -> tuple[Mark, ...]:
    """A mark for every run of frames with one level, one mass, or one volume poured."""
    column, method = (
        (mapping.mass, Method.MASS) if mapping.mass is not None else (mapping.poured, Method.POURED)
    )
    if column is None:
        u_mm = mapping.level_u_mm if labelling is None else labelling.level_u(mapping.level_u_mm)
        common = None if labelling is None else labelling.level_u_common_mm or None
        return _marks(_levels(columns, mapping, tank), u_mm, common)
    if labelling is None:
        raise InputError(
            f"column {column!r}",
            f"holds a {method.value}, and nothing says how it becomes a level",
            "tare and liquid",
        )
    warm = None if mapping.temperature is None else columns[mapping.temperature]
    return marks_of_readings(
        lambda row: columns.sheet.where(row, column), method, columns[column], warm, tank, labelling
    )


def read_stream(path: Path, mapping: ColumnMapping, tank: Tank, labelling: Labelling) -> Stream:
    """A stream of levels on its own clock, such as a scale's log.

    Args:
        path: as for sessions.
        mapping: columns of time and of level or mass; none of counts.
        tank: as for sessions.
        labelling: as for sessions; without a column of temperature its temperature is the liquid's.

    Raises:
        InputError: the first fault: file, line, column, what was found, what was expected.
    """
    if mapping.time is None or (mapping.level is None) == (mapping.mass is None):
        raise InputError(
            str(path),
            "columns " + ", ".join(mapping.columns),
            "one of time, and one of level or mass",
            "name them with ramp_time and ramp_level or ramp_mass",
            fields=("ramp_time", "ramp_level", "ramp_mass"),
        )
    sheet = sheet_of(path, read_content(path), mapping)
    columns = _Columns(sheet, mapping.columns, ())
    values = columns[mapping.time]
    t_ms = values * 1000 if mapping.time_unit is TimeUnit.SECONDS else values
    row = _first(np.diff(t_ms) <= 0)
    if row is not None:
        raise InputError(
            sheet.where(row + 1, mapping.time),
            f"time does not rise after {values[row]:g}",
            "each line later than the one before",
        )
    level = _levels(columns, mapping, tank)
    if level is not None:
        zero = np.zeros(len(level))
        read_off = labelling.level_u(mapping.level_u_mm) or 0.0
        return Stream(str(path), t_ms, level, zero + read_off, zero + labelling.level_u_common_mm)
    column = str(mapping.mass)
    masses, first, back = np.unique(columns[column], return_index=True, return_inverse=True)
    levels = [
        level_of(sheet.where(int(k), column), Method.MASS, float(m), None, tank, labelling)
        for m, k in zip(masses, first, strict=True)
    ]
    level, u_mm, common = (
        np.array([getattr(f, name) for f in levels])[back] for name in ("value", "u", "u_common")
    )
    return Stream(str(path), t_ms, level, u_mm, common)


def common_delimiters(files: Sequence[ParsedFile]) -> str:
    """The delimiters that were used, most frequent first, in words."""
    return ", ".join(DELIMITERS.get(d, repr(d)) for d, _ in Counter(f.delimiter for f in files).most_common())
