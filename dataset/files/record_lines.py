"""Delimited text that states one thing a line: the first line names the fields, a cell each below.

For what people and fixtures write, so every fault names its line; whoever reads the lines decides whether the
first fault is the end.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping
from dataclasses import MISSING, dataclass, fields
from enum import Enum
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from dataset.errors import InputError, nearest, quoted, there_are
from dataset.files.disk import MOST_TEXT_BYTES, read_at_most
from dataset.files.encodings import refuse_workbook
from dataset.files.headings import delimiter_above
from dataset.files.lines import cells_of
from dataset.values import plain_float
from dataset.words import counted

T = TypeVar("T")

BETWEEN = "|"  # values of a cell that holds several
MOST_LINES = 100_000
_TRUTH = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


@dataclass(frozen=True)
class RecordLine:
    """A line: its number, counted from 1, and its cells that aren't empty, by field."""

    path: Path
    number: int
    cells: Mapping[str, str]
    decimal_comma: bool

    @property
    def where(self) -> str:
        """Names the line in errors."""
        return f"{self.path}, line {self.number}"

    def place(self, field: str) -> str:
        """Names a cell in errors."""
        return f"{self.where}, column {field!r}"


def read_record_lines(
    path: Path,
    names: Collection[str],
    needed: Collection[str] = (),
    *,
    also: Mapping[str, str] | None = None,
    others: bool = False,
) -> list[RecordLine]:
    """The lines below the headings of a file in UTF-8.

    Blank lines and lines that begin with '#' are skipped, and so are columns whose heading does, the first
    one too. Headings are read without regard to capitals; blanks and dashes stand for '_'.

    Args:
        path: the file.
        names: the fields that there are.
        needed: those of them that a heading must name.
        also: further headings, and the field that each means.
        others: whether further headings may stand; their cells go by the heading as it is.

    Raises:
        InputError: no such file, no text, headings that are unknown, missing or double, or lines of other
            lengths than the headings.
    """
    fields_called = {**(also or {}), **{name: name for name in names}}
    lines = _without_remarks(_lines(path), fields_called)
    delimiter = _delimiter(lines)
    if lines and delimiter_above(lines[0][1]):
        lines = lines[1:]
    rows = [(number, cells_of(line, f"{path}, line {number}", delimiter)) for number, line in lines]
    if len(rows) < 2:
        raise InputError(
            str(path), "no line below the headings", "a line of headings and one line each below"
        )
    (top, headings), below = rows[0], rows[1:]
    called = _called(f"{path}, line {top}", headings, fields_called, others)
    _check_needed(f"{path}, line {top}", called, needed)
    return [
        RecordLine(path, number, _cells(f"{path}, line {number}", cells, called, top), delimiter != ",")
        for number, cells in below
        if any(cell.strip() for cell in cells)
    ]


def _lines(path: Path) -> list[tuple[int, str]]:
    try:
        content = read_at_most(path, MOST_TEXT_BYTES)
        refuse_workbook(path, content)
        text = content.decode("utf-8-sig")
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({error.strerror})", "a CSV file") from error
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{path}, line {line}",
            f"byte 0x{content[error.start]:02x} is no UTF-8",
            "",
            "save it as CSV UTF-8",
        ) from error
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if len(lines) > MOST_LINES:
        raise InputError(
            str(path), counted(len(lines), "line"), f"at most {MOST_LINES}", "cut it into several files"
        )
    return [(number, line) for number, line in enumerate(lines, 1) if line.strip()]


def _without_remarks(lines: list[tuple[int, str]], names: Mapping[str, str]) -> list[tuple[int, str]]:
    """The lines but those that begin with '#'. One that does and has headings behind it, above a line that
    has none, is the line of headings all the same: its first column is one that is passed over.
    """
    said = [at for at, (_, line) in enumerate(lines) if not line.lstrip().startswith("#")]
    first = said[0] if said else 0
    above = first - 1
    if above >= 0 and _has_headings(lines[above][1], names) and not _has_headings(lines[first][1], names):
        said.insert(0, above)
    return [lines[at] for at in said]


def _has_headings(line: str, names: Mapping[str, str]) -> bool:
    cells = line.split(_delimiter([(1, line)]))
    return len(cells) > 1 and any(_field(cell.strip().strip('"'), names) for cell in cells)


def _delimiter(lines: list[tuple[int, str]]) -> str:
    if not lines:
        return ","
    return delimiter_above(lines[0][1]) or max(",;\t", key=lines[0][1].count)


def _called(where: str, headings: list[str], names: Mapping[str, str], others: bool) -> list[str | None]:
    """The field of each column; None for one that is the reader's own."""
    called: list[str | None] = []
    for heading in headings:
        plain = heading.strip()
        if plain.startswith("#"):
            called.append(None)
            continue
        field = _field(plain, names)
        if field is None and not (others and plain):
            raise InputError(
                where,
                f"a heading {quoted(plain)}" if plain else "a column without a heading",
                "",
                there_are(sorted(names), plain.casefold(), "") + "; one that begins with '#' is passed over",
            )
        if (field or plain) in called:
            raise InputError(where, f"the heading {quoted(plain)} twice", "each once")
        called.append(field or plain)
    return called


def _field(heading: str, names: Mapping[str, str]) -> str | None:
    """The field that a heading means, be it in the plural, or with its unit in brackets behind it."""
    plain = re.sub(r"\s*[(\[].*", "", heading.casefold()).replace("-", "_").replace(" ", "_")
    return next((names[one] for one in (plain, f"{plain}s", plain.removesuffix("s")) if one in names), None)


def _check_needed(where: str, called: list[str | None], needed: Collection[str]) -> None:
    lacking = [field for field in needed if field not in called]
    if lacking:
        raise InputError(where, f"no heading {', '.join(map(repr, lacking))}", "one, and a cell in each line")


def _cells(where: str, cells: list[str], called: list[str | None], top: int) -> dict[str, str]:
    if len(cells) < len(called) or any(cell.strip() for cell in cells[len(called) :]):
        raise InputError(where, counted(len(cells), "cell"), f"{len(called)}, as in line {top}")
    named = zip(called, cells[: len(called)], strict=True)
    return {field: cell.strip() for field, cell in named if field is not None and cell.strip()}


def fields_of(record: type[Any]) -> tuple[str, ...]:
    """The fields of a dataclass that a line may state."""
    return tuple(field.name for field in fields(record))


def needed_of(record: type[Any]) -> tuple[str, ...]:
    """Those without a default."""
    return tuple(f.name for f in fields(record) if f.default is MISSING and f.default_factory is MISSING)


def record_of(kind: type[T], line: RecordLine) -> T:
    """The dataclass that a line states, each cell read as the field's type says: texts, numbers, yes or no,
    words of an enumeration, files beside the one that is read, or several with '|' between.

    Raises:
        InputError: a field that is needed and empty, or a cell that cannot be read.
    """
    return kind(**_stated(kind, line))


def over(record: T, line: RecordLine) -> T:
    """``record`` with what a line states in the place of its own; errors as of :func:`record_of`."""
    from dataclasses import replace

    values: dict[str, Any] = _stated(type(record), line, complete=False)
    return replace(record, **values)  # type: ignore[type-var]  # a dataclass, which a type variable can't say


def _stated(kind: type[Any], line: RecordLine, *, complete: bool = True) -> dict[str, Any]:
    hints = get_type_hints(kind)
    for field in needed_of(kind) if complete else ():
        if field not in line.cells:
            raise InputError(line.place(field), "an empty cell", "a value")
    return {field: _value(hints[field], line, field) for field in fields_of(kind) if field in line.cells}


def _value(hint: Any, line: RecordLine, field: str) -> Any:
    cell, where = line.cells[field], line.place(field)
    if get_origin(hint) in (Union, UnionType):
        (hint,) = (part for part in get_args(hint) if part is not NoneType)
    if get_origin(hint) is tuple:
        part = get_args(hint)[0]
        return tuple(_single(part, line, where, one.strip()) for one in cell.split(BETWEEN))
    return _single(hint, line, where, cell)


def _single(kind: type[Any], line: RecordLine, where: str, cell: str) -> Any:
    if kind is float:
        return number_of(where, cell, decimal_comma=line.decimal_comma)
    if kind is bool:
        if cell.casefold() not in _TRUTH:
            raise InputError(where, quoted(cell), "yes or no")
        return _TRUTH[cell.casefold()]
    if kind is Path:
        return line.path.parent / cell
    if issubclass(kind, Enum):
        known = [str(member.value) for member in kind]
        if cell.casefold() not in known:
            raise InputError(
                where, quoted(cell), "one of " + ", ".join(known), nearest(cell.casefold(), known)
            )
        return kind(cell.casefold())
    return cell


def number_of(where: str, cell: str, *, decimal_comma: bool = False) -> float:
    """A cell as a finite number; InputError at ``where``."""
    try:
        value = plain_float(cell.replace(",", ".") if decimal_comma else cell)
    except ValueError as error:
        raise InputError(where, quoted(cell), "a number") from error
    if not math.isfinite(value):
        raise InputError(where, quoted(cell), "a finite number")
    return value
