"""Capture sessions from delimited text: any delimiter, any column names; a fault is named by file, line and column.

Whole columns are converted at once; only a column that this fails on is looked at cell by cell.
"""

from __future__ import annotations

import csv
import difflib
import hashlib
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dataset.checks import check_period
from dataset.errors import InputError
from dataset.marking import Labelling, Method, level_of, marks_of
from dataset.ramps import Stream
from dataset.records import ColumnMapping, Frames, LevelUnit, Mark, Sensor, Source, Tank, TimeUnit
from dataset.registry import label

DELIMITERS = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "space"}  # in the order they are tried
SAMPLE_LINES = 25
MAX_T_MS = 2.0**53  # whole milliseconds up to here are exact in a double
GAP_PERIODS = 1.5
STANDARD_INPUT = Path("-")


@dataclass(frozen=True)
class ParsedFile:
    """One file's frames and marks. ``gaps`` counts steps of time longer than 1.5 median periods; ``labelled`` counts frames."""

    frames: Frames
    marks: tuple[Mark, ...]
    source: Source
    delimiter: str
    gaps: int
    median_period_ms: float | None

    @property
    def labelled(self) -> int:
        return sum(m.stop - m.start for m in self.marks)


@dataclass(frozen=True)
class _Sheet:
    """The lines of a file below its column names, and the line number of each in the file."""

    path: Path
    delimiter: str
    header: list[str]
    texts: list[str]
    lines: list[int]

    def where(self, row: int, column: str = "") -> str:
        return f"{self.path}, line {self.lines[row]}" + (f", column {column!r}" if column else "")

    @cached_property
    def _quoted(self) -> bool:
        return any('"' in text for text in self.texts)

    @cached_property
    def _rows(self) -> list[list[str]]:
        """Every cell; only for files with quotation marks, or without a delimiter that can be counted."""
        return [_split(text, self.delimiter) for text in self.texts]

    def widths(self) -> NDArray[np.int64]:
        """How many cells each line has."""
        if self._quoted or self.delimiter == " ":
            return np.fromiter(map(len, self._rows), np.int64, len(self.texts))
        return np.fromiter((text.count(self.delimiter) for text in self.texts), np.int64, len(self.texts)) + 1

    def cells(self, column: str) -> list[str]:
        """One column, as text."""
        place = self.header.index(column)
        if self._quoted or self.delimiter == " ":
            return [row[place] for row in self._rows]
        return [text.split(self.delimiter, place + 1)[place] for text in self.texts]

    def bulk(self, columns: Sequence[str]) -> dict[str, NDArray[np.float64]] | None:
        """Columns as numbers, all cells converted at once; None when any of them is not a plain number."""
        places = [self.header.index(column) for column in columns]
        delimiter = None if self.delimiter == " " else self.delimiter
        try:
            matrix = np.loadtxt(self.texts, np.float64, comments=None, delimiter=delimiter, usecols=places, quotechar='"', ndmin=2)
        except ValueError:
            return None
        return {column: np.ascontiguousarray(matrix[:, k]) for k, column in enumerate(columns)}


class _Columns:
    """The columns that a mapping uses, as finite numbers; optional ones with NaN for an empty cell."""

    def __init__(self, sheet: _Sheet, required: Sequence[str], optional: Sequence[str]) -> None:
        self.sheet, self._optional = sheet, optional
        self._found = sheet.bulk([*required, *optional]) or (sheet.bulk(required) if optional else None) or {}

    def __getitem__(self, column: str) -> NDArray[np.float64]:
        optional = column in self._optional
        values = self._found[column] if column in self._found else _by_cell(self.sheet, column, optional)
        row = _first(np.isinf(values) if optional else ~np.isfinite(values))
        if row is not None:
            raise _no_number(self.sheet, row, column, self.sheet.cells(column)[row])
        return values


def read_file(path: Path, mapping: ColumnMapping, sensor: Sensor, tank: Tank, labelling: Labelling | None = None) -> ParsedFile:
    """Read one capture session.

    Args:
        path: UTF-8 text; '#' lines and blank lines are skipped, the first other line names the columns.
        mapping: which column holds what.
        sensor: gives channels, count width and period.
        tank: gives the span that levels lie within, and the profile that turns volumes into levels.
        labelling: how masses and poured volumes become levels; only needed where the mapping has a column of them.

    Raises:
        InputError: the first fault: file, line, column, what was found, what was expected.
    """
    if len(mapping.counts) != sensor.channels:
        pads = ", ".join(sensor.channel_names)
        found = f"{len(mapping.counts)} count columns ({', '.join(mapping.counts)})"
        raise InputError(str(path), found, f"{sensor.channels}, one for each pad of {label(sensor)} in channel order: {pads}")
    content = _content(path)
    sheet = _sheet(path, _text(path, content), mapping)
    columns = _Columns(
        sheet, [c for c in (*mapping.counts, mapping.time) if c], [c for c in (mapping.level, mapping.mass, mapping.poured, mapping.temperature) if c]
    )
    counts = np.stack([_counts(columns, column, sensor) for column in mapping.counts], axis=1)
    t_ms = _times(columns, mapping, sensor)
    steps = np.diff(t_ms)
    median = float(np.median(steps)) if len(steps) else None
    if median is not None:
        check_period(str(path), sensor, median)
    return ParsedFile(
        frames=Frames(t_ms, counts, None if mapping.temperature is None else columns[mapping.temperature]),
        marks=_labels(columns, mapping, tank, labelling),
        source=Source("standard input" if path == STANDARD_INPUT else path.name, hashlib.sha256(content).hexdigest()),
        delimiter=sheet.delimiter,
        gaps=0 if median is None else int(np.count_nonzero(steps > GAP_PERIODS * median)),
        median_period_ms=median,
    )


def _content(path: Path) -> bytes:
    if path == STANDARD_INPUT:
        return sys.stdin.buffer.read()
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise InputError(str(path), "does not exist", "a text file") from error
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({error.strerror})", "a text file") from error


def _text(path: Path, content: bytes) -> str:
    save = "save it as text in UTF-8"
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(str(path), "is text in UTF-16", "text in UTF-8", save)
    if b"\0" in content:
        line = content.count(b"\n", 0, content.index(b"\0")) + 1
        raise InputError(f"{path}, line {line}", "a zero byte: the file is binary", "delimited text", save)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError(f"{path}, line {line}", f"byte 0x{content[error.start]:02x} is not UTF-8", "text in UTF-8", save) from error


def _sheet(path: Path, text: str, mapping: ColumnMapping) -> _Sheet:
    every = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    numbers = [k for k, line in enumerate(every) if line and (line[0] not in "# \t" or line.strip()[:1] not in ("", "#"))]
    kept = [every[k] for k in numbers]
    if not kept:
        raise InputError(str(path), "no line that is not blank or a comment", "a line of column names and one line a frame")
    lines = [k + 1 for k in numbers]
    if '"' in text:
        _check_quotes(path, kept, lines)
    delimiter = mapping.delimiter or _find_delimiter(kept[:SAMPLE_LINES])
    first = [cell.strip() for cell in _split(kept[0], delimiter)]
    header = first if mapping.header else [str(k + 1) for k in range(len(first))]
    above = 1 if mapping.header else 0
    sheet = _Sheet(path, delimiter, header, kept[above:], lines[above:])
    _check_columns(sheet, mapping, lines[0])
    if not sheet.texts:
        raise InputError(str(path), "no rows below the column names", "one line a frame")
    widths = sheet.widths()
    row = _first(widths != len(header))
    if row is not None:
        found = f"{widths[row]} cells (delimiter: {DELIMITERS.get(delimiter, repr(delimiter))})"
        hint = "mend or remove the line, or name another --delimiter"
        raise InputError(sheet.where(row), found, f"{len(header)}, as in line {lines[0]}", hint)
    return sheet


def _check_quotes(path: Path, texts: Sequence[str], lines: Sequence[int]) -> None:
    row = next((k for k, text in enumerate(texts) if text.count('"') % 2), None)
    if row is not None:
        raise InputError(f"{path}, line {lines[row]}", "a quotation mark that is not closed on its line", "each cell on one line")
    row = next((k for k, text in enumerate(texts) if len(text) > csv.field_size_limit()), None)
    if row is not None:
        raise InputError(f"{path}, line {lines[row]}", f"{len(texts[row])} characters", f"at most {csv.field_size_limit()} a line")


def _find_delimiter(sample: Sequence[str]) -> str:
    """The delimiter that cuts the most lines into as many cells as the first; a comma when none cuts it."""

    def alike(delimiter: str) -> int:
        widths = [len(_split(line, delimiter)) for line in sample]
        return sum(width == widths[0] for width in widths) if widths[0] > 1 else 0

    best = max(DELIMITERS, key=alike)  # ties go to the first
    return best if alike(best) else ","


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter))
    except csv.Error:  # a cell beyond what the csv module takes: left as it stands, it is named as no number
        return line.split(delimiter)


def _check_columns(sheet: _Sheet, mapping: ColumnMapping, line: int) -> None:
    for column in mapping.columns:
        times = sheet.header.count(column)
        where = f"{sheet.path}, line {line}"
        if times > 1:
            raise InputError(where, f"{times} columns are called {column!r}", "each column that is used a name of its own")
        if times == 0:
            near = difflib.get_close_matches(column.casefold(), [name.casefold() for name in sheet.header], n=1, cutoff=0.5)
            nearest = [name for name in sheet.header if near and name.casefold() == near[0]]
            hint = f"did you mean {nearest[0]!r}?" if nearest else _no_header_hint(sheet.header)
            raise InputError(where, f"no column {column!r}", "one of " + ", ".join(repr(name) for name in sheet.header), hint)


def _no_header_hint(header: Sequence[str]) -> str:
    if all(_is_number(name) for name in header):
        return "if the first line is a frame already, say --no-header; columns are then called 1, 2, ..."
    return "name the columns with --count, --time, --level and --temperature"


def _is_number(cell: str) -> bool:
    if "_" in cell:  # Python reads 1_000, a file does not mean it
        return False
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _by_cell(sheet: _Sheet, column: str, optional: bool) -> NDArray[np.float64]:
    """A column that is not plain numbers all through: cells may be empty where optional, and have decimal commas."""
    cells = [cell.strip() for cell in sheet.cells(column)]
    decimal_comma = sheet.delimiter != ","
    values = np.full(len(cells), np.nan)
    for row, cell in enumerate(cells):
        if optional and not cell:
            continue
        number = cell.replace(",", ".") if decimal_comma else cell
        if not _is_number(number):
            raise _no_number(sheet, row, column, cell)
        values[row] = float(number)
    return values


def _no_number(sheet: _Sheet, row: int, column: str, cell: str) -> InputError:
    found = repr(cell) if cell.strip() else "an empty cell"
    return InputError(sheet.where(row, column), found, "a number", "mend or remove the line")


def _first(faults: NDArray[np.bool_]) -> int | None:
    return int(np.argmax(faults)) if faults.any() else None


def _counts(columns: _Columns, column: str, sensor: Sensor) -> NDArray[np.uint32]:
    values, sheet = columns[column], columns.sheet
    top = (1 << sensor.count_bits) - 1
    row = _first((values != np.rint(values)) | (values < 0) | (values > top))
    if row is not None:
        cell = sheet.cells(column)[row].strip()
        expected = f"a whole number from 0 to {top} ({sensor.count_bits} bits, sensor {label(sensor)})"
        raise InputError(sheet.where(row, column), f"a count of {cell}", expected, "check the column, or add a sensor revision with the width that is meant")
    return values.astype(np.uint32)


def _times(columns: _Columns, mapping: ColumnMapping, sensor: Sensor) -> NDArray[np.int64]:
    sheet = columns.sheet
    if mapping.time is None:
        return np.arange(len(sheet.texts), dtype=np.int64) * sensor.period_ms
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
        hint = "split the file where another session begins, or check --time and --time-unit"
        raise InputError(sheet.where(row + 1, mapping.time), f"time {stands} {t_ms[row + 1]} ms", expected, hint)
    return t_ms


def _levels(columns: _Columns, mapping: ColumnMapping, tank: Tank) -> NDArray[np.float64] | None:
    """The level column in millimetres, NaN where a frame is not labelled."""
    if mapping.level is None:
        return None
    values, sheet = columns[mapping.level], columns.sheet
    scale = {LevelUnit.MILLIMETRES: 1.0, LevelUnit.CENTIMETRES: 10.0, LevelUnit.FRACTION: tank.span_mm}[mapping.level_unit]
    level = np.round(values * scale, 6)  # 0.07 of 100 mm is 7 mm, not 7.000000000000001
    row = _first((level < 0) | (level > tank.span_mm))
    if row is not None:
        expected = f"0 to {tank.span_mm:g} mm, the span of tank {label(tank)}"
        found = f"a level of {level[row]:g} mm"
        raise InputError(sheet.where(row, mapping.level), found, expected, f"check --level-unit (now {mapping.level_unit.value}) and the tank")
    return level


def _marks(level: NDArray[np.float64] | None, u_mm: float | None) -> tuple[Mark, ...]:
    """A mark for every run of frames with one level."""
    if level is None:
        return ()
    labelled = ~np.isnan(level)
    keyed = np.where(labelled, level, -1.0)
    starts = np.flatnonzero(np.concatenate(([True], keyed[1:] != keyed[:-1])))
    stops = np.append(starts[1:], len(level))
    return tuple(Mark(int(a), int(b), float(level[a]) + 0.0, u_mm) for a, b in zip(starts, stops, strict=True) if labelled[a])


def _labels(columns: _Columns, mapping: ColumnMapping, tank: Tank, labelling: Labelling | None) -> tuple[Mark, ...]:
    """A mark for every run of frames with one level, one mass, or one volume poured."""
    column, method = (mapping.mass, Method.MASS) if mapping.mass is not None else (mapping.poured, Method.POURED)
    if column is None:
        return _marks(_levels(columns, mapping, tank), mapping.level_u_mm)
    if labelling is None:
        raise InputError(f"column {column!r}", f"holds a {method.value}, and nothing says how it becomes a level", "tare and liquid")
    warm = None if mapping.temperature is None else columns[mapping.temperature]
    return marks_of(lambda row: columns.sheet.where(row, column), method, columns[column], warm, tank, labelling)


def read_stream(path: Path, mapping: ColumnMapping, tank: Tank, labelling: Labelling) -> Stream:
    """A stream of levels on its own clock, such as a scale's log.

    Args:
        path: text as for sessions.
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
            "name them with --ramp-time and --ramp-level or --ramp-mass",
        )
    sheet = _sheet(path, _text(path, _content(path)), mapping)
    columns = _Columns(sheet, mapping.columns, ())
    values = columns[mapping.time]
    t_ms = values * 1000 if mapping.time_unit is TimeUnit.SECONDS else values
    row = _first(np.diff(t_ms) <= 0)
    if row is not None:
        raise InputError(sheet.where(row + 1, mapping.time), f"time does not rise after {values[row]:g}", "each line later than the one before")
    level = _levels(columns, mapping, tank)
    if level is not None:
        zero = np.zeros(len(level))
        return Stream(str(path), t_ms, level, zero + (mapping.level_u_mm or 0.0), zero)
    column = str(mapping.mass)
    masses, first, back = np.unique(columns[column], return_index=True, return_inverse=True)
    found = [level_of(sheet.where(int(k), column), Method.MASS, float(m), None, tank, labelling) for m, k in zip(masses, first, strict=True)]
    level, u_mm, common = (np.array([getattr(f, name) for f in found])[back] for name in ("value", "u", "u_common"))
    return Stream(str(path), t_ms, level, u_mm, common)


def common_delimiters(files: Sequence[ParsedFile]) -> str:
    """The delimiters that were used, most frequent first, in words."""
    return ", ".join(DELIMITERS.get(d, repr(d)) for d, _ in Counter(f.delimiter for f in files).most_common())
