"""Delimited text as a sheet: its columns are converted at once, and it is cut into lines and cells only where
that fails, to name the place.
"""

from __future__ import annotations

import csv
from codecs import BOM_UTF8
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import count
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from dataset.files.encodings import text_of
from dataset.files.headings import are_units, delimiter_above
from dataset.files.sheets import Numbers, check_columns
from dataset.words import counted

DELIMITERS = {
    "\t": "tab",
    ";": "semicolon",
    "|": "bar",
    ",": "comma",
    " ": "space",
}  # in the order they are tried
SAMPLE_LINES = 25
MOST_LINES = 21_000_000  # of text, with its remarks
MOST_AT_ONCE = 5_000_000  # lines that are read at once, which take more room than numbers
MOST_LINE = 1 << 20  # characters

_END_OF_LINE = ord("\n")
_HEXADECIMAL = (b"x", b"X")  # in a cell; it would be taken for a whole number and is none here
_NO_ROW = tuple(b"# \t\n")  # what lines that are no rows begin with; blanks may lead to either
_SEPARATOR = "\x1f"  # a unit separator, which stands in no number


@dataclass(frozen=True)
class Above:
    """What stands above a piece of a text: the sheet of its first piece, and how many lines."""

    first: TextSheet
    lines: int


class TextSheet:
    """Delimited text; lines that begin with '#' and blank lines are no rows, the first other line names the
    columns. A line 'sep=;' above it names the delimiter, and units may stand in the line below it.

    Args:
        path: for messages.
        content: the file's bytes.
        delimiter: a character; None: found out.
        named: whether the first line names the columns; else they are 1, 2, ...
        encoding: of the text; None: UTF-8.
        above: of a piece of a text whose first piece is known, whose names, delimiter and units hold.

    Raises:
        InputError: not text, or quotation marks that are left open.
    """

    def __init__(
        self,
        path: Path,
        content: bytes,
        delimiter: str | None,
        named: bool,
        encoding: str | None = None,
        above: Above | None = None,
    ) -> None:
        self.path, self._named = path, named
        self._lines_above = 0 if above is None else above.lines
        text = text_of(path, content, encoding)
        self._text = text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text
        as_it_stands = encoding is None and self._text is text and not content.startswith(BOM_UTF8)
        self._bytes = content if as_it_stands else self._text.encode()
        places = np.frombuffer(self._bytes, np.uint8)
        ends = np.flatnonzero(places == _END_OF_LINE)
        _check_size(path, self._text, ends, self._lines_above)
        self._quoted, self._ends = '"' in text, len(ends)
        if above is not None:
            self._continue(above.first, _every_line_counts(places, ends))
            return
        named_above = delimiter_above(_first_lines(self._text, 1)[0])
        delimiter, self._above = delimiter or named_above, named_above is not None
        self._every_line_counts = not self._above and _every_line_counts(places, ends)
        sample = (
            _first_lines(self._text, SAMPLE_LINES)
            if self._every_line_counts
            else [line for line, _ in self._lines[:SAMPLE_LINES]]
        )
        if not sample:
            raise InputError(
                str(path),
                "no line that is not blank or a comment",
                "a line of column names and one line a frame",
            )
        if self._quoted:
            _check_quotes(path, self._lines)
        self.delimiter = delimiter or _find_delimiter([line for line in sample if line])
        first = [cell.strip() for cell in _split(sample[0], self.delimiter)]
        check_columns(path, len(first))
        self.header: Sequence[str] = first if named else [str(k + 1) for k in range(len(first))]
        below = _split(sample[1], self.delimiter) if named and len(sample) > 1 else []
        self.units = dict(zip(first, map(str.strip, below), strict=False)) if are_units(below) else {}
        self._every_line_counts &= not self.units
        self._headings = named + bool(self.units)

    def _continue(self, first: TextSheet, every_line_counts: bool) -> None:
        """Be a piece of the text that begins with ``first``."""
        self._named, self._above, self._headings = False, False, 0
        self._every_line_counts = every_line_counts
        self.delimiter, self.header, self.units = first.delimiter, first.header, first.units
        self._top = first._top
        if self._quoted:
            _check_quotes(self.path, self._lines)

    @cached_property
    def _top(self) -> int:
        """The number of the line with the names of the columns."""
        return self._lines[0][1]

    @cached_property
    def _lines(self) -> list[tuple[str, int]]:
        """Every line that is neither blank nor a remark, that of the column names too, with its number in the
        file.
        """
        every = zip(self._text.split("\n"), count(self._lines_above + 1), strict=False)
        return [
            (line, number)
            for line, number in every
            if line and (line[0] not in "# \t" or line.strip()[:1] not in ("", "#"))
        ][self._above :]

    @cached_property
    def _body(self) -> list[tuple[str, int]]:
        return self._lines[self._headings :]

    @cached_property
    def rows(self) -> int:
        if self._every_line_counts:
            return self._ends + (not self._text.endswith("\n")) - self._named
        return len(self._body)

    @cached_property
    def remarks(self) -> Sequence[str]:
        above = self._text.split("\n", self._top)[: self._top - 1]
        return [line.strip() for line in above if line.strip().startswith("#")]

    def top(self) -> str:
        return f"{self.path}, line {self._top}"

    def where(self, row: int, column: str = "") -> str:
        return f"{self.path}, line {self._body[row][1]}" + (f", column {column!r}" if column else "")

    def cells(self, column: str) -> list[str]:
        place = self.header.index(column)
        return [_split(line, self.delimiter)[place] for line, _ in self._body]

    def bulk(self, columns: Sequence[str], whole: Sequence[str] = ()) -> dict[str, Numbers] | None:
        """As :meth:`Sheet.bulk`; InputError for a row with more or fewer cells than the first line."""
        content, start, delimiter = self._plainly()
        text = memoryview(content)[start:]
        if whole and not any(content.find(mark, start) >= 0 for mark in _HEXADECIMAL):
            numbers = self._converted(text, delimiter, columns, whole)
            if numbers is not None:
                return numbers
        numbers = self._converted(text, delimiter, columns)
        if numbers is None:
            self._check_widths()
        return numbers

    def _converted(
        self, text: memoryview, delimiter: str, columns: Sequence[str], whole: Sequence[str] = ()
    ) -> dict[str, Numbers] | None:
        """Columns as numbers; None where one is no number, or one of ``whole`` no whole one or empty cell."""
        import pyarrow as arrow
        from pyarrow import csv as arrow_csv

        places = {
            column: str(self.header.index(column)) for column in columns
        }  # other columns may share a name
        kinds = {places[c]: arrow.uint32() if c in whole else arrow.float64() for c in columns}
        try:
            table = arrow_csv.read_csv(
                arrow.BufferReader(text),
                read_options=arrow_csv.ReadOptions(
                    column_names=[str(k) for k in range(len(self.header))],
                    use_threads=not self._lines_above,  # pieces are read beside one another
                ),
                parse_options=arrow_csv.ParseOptions(delimiter=delimiter, quote_char=False),
                convert_options=arrow_csv.ConvertOptions(
                    include_columns=list(kinds), column_types=kinds, null_values=[""]
                ),
            )
        except arrow.ArrowInvalid:
            return None
        return {column: table.column(place).to_numpy() for column, place in places.items()}

    def _plainly(self) -> tuple[bytes, int, str]:
        """The rows without remarks and quotation marks in UTF-8, where they begin, and the delimiter between
        their cells.
        """
        if not self._quoted and self.delimiter != " " and self.delimiter.isascii():
            if not self._every_line_counts:
                return "\n".join(line for line, _ in self._body).encode(), 0, self.delimiter
            names = self._bytes.find(b"\n") + 1 or len(self._bytes)
            return self._bytes, names * self._named, self.delimiter
        rows = "\n".join(_SEPARATOR.join(_split(line, self.delimiter)) for line, _ in self._body)
        return rows.encode(), 0, _SEPARATOR

    def _check_widths(self) -> None:
        for row, (line, _) in enumerate(self._body):
            cells = len(_split(line, self.delimiter))
            if cells != len(self.header):
                width = (
                    f"{counted(cells, 'cell')} "
                    f"(delimiter: {DELIMITERS.get(self.delimiter, repr(self.delimiter))})"
                )
                raise InputError(
                    self.where(row),
                    width,
                    f"{len(self.header)}, as in line {self._top}",
                    "mend or remove the line, or name another ColumnMapping.delimiter",
                    fields=("ColumnMapping.delimiter",),
                )


def _check_size(path: Path, text: str, ends: NDArray[np.int64], above: int) -> None:
    """No more lines, and none longer, than can be cut into cells with some memory; ``ends`` are the places of
    the ends of lines among the bytes, ``above`` counts lines above them.
    """
    lines = len(ends)
    if lines > MOST_AT_ONCE:
        raise InputError(
            str(path),
            counted(lines, "line"),
            f"at most {MOST_AT_ONCE}",
            "cut the recording into sessions",
        )
    if np.diff(ends, prepend=-1).max(initial=0) <= MOST_LINE >= len(text) - (ends[-1] if lines else 0):
        return
    start = 0
    while len(text) - start > MOST_LINE:  # looks at every end of a line that is needed, at no other
        end = text.rfind("\n", start, start + MOST_LINE + 1)
        if end < 0:
            number = above + text.count("\n", 0, start) + 1
            raise InputError(
                f"{path}, line {number}", f"more than {MOST_LINE} characters", "one line a frame"
            )
        start = end + 1


def _first_lines(text: str, most: int) -> list[str]:
    """At most so many lines from the start, without a copy of what follows."""
    end = -1
    for _ in range(most):
        end = text.find("\n", end + 1)
        if end < 0:
            return text.split("\n")
    return text[:end].split("\n")


def _every_line_counts(content: NDArray[np.uint8], ends: NDArray[np.int64]) -> bool:
    """Whether no line is blank or a remark, an empty one at the end aside."""
    if not len(content):
        return False
    firsts = content[np.concatenate(([0], ends[ends < len(content) - 1] + 1))]
    return not np.isin(firsts, _NO_ROW).any()


def _check_quotes(path: Path, lines: Sequence[tuple[str, int]]) -> None:
    at = next((number for line, number in lines if line.count('"') % 2), None)
    if at is not None:
        raise InputError(
            f"{path}, line {at}", "a quotation mark that is not closed on its line", "each cell on one line"
        )
    long = next(((len(line), number) for line, number in lines if len(line) > csv.field_size_limit()), None)
    if long is not None:
        raise InputError(
            f"{path}, line {long[1]}", f"{long[0]} characters", f"at most {csv.field_size_limit()} a line"
        )


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
