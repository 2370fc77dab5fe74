"""The sheet in a file or on standard input, with the columns that are asked for."""

from __future__ import annotations

import difflib
import sys
from collections.abc import Sequence
from pathlib import Path

from dataset.errors import InputError, quoted
from dataset.files.delimited import TextSheet
from dataset.files.disk import read_at_most, stream_at_most
from dataset.files.encodings import refuse_workbook
from dataset.files.parquet import ParquetSheet
from dataset.files.sheets import Sheet
from dataset.records import ColumnMapping
from dataset.values import plain_float

STANDARD_INPUT = Path("-")
MOST_LISTED = 40  # names of columns in an error


def read_content(path: Path) -> bytes:
    """The bytes of a file, or of standard input for '-'; InputError when they can't be had."""
    if path == STANDARD_INPUT:
        return stream_at_most(sys.stdin.buffer, "standard input")
    try:
        return read_at_most(path)
    except FileNotFoundError as error:
        raise InputError(str(path), "does not exist", "a text or Parquet file") from error
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({error.strerror})", "a text or Parquet file") from error


def sheet_of(path: Path, content: bytes, mapping: ColumnMapping) -> Sheet:
    """The sheet in a file's bytes, whichever kind they are; the columns of ``mapping`` are in it, each once,
    and it has rows.

    Raises:
        InputError: as the kinds raise; a column that is missing or there twice; no rows.
    """
    refuse_workbook(path, content)
    sheet: Sheet = (
        ParquetSheet(path, content)
        if content.startswith(b"PAR1")
        else TextSheet(path, content, mapping.delimiter, mapping.header, mapping.encoding)
    )
    check_named(sheet, mapping)
    if not sheet.rows:
        raise InputError(str(path), "no rows below the column names", "one line a frame")
    return sheet


def check_named(sheet: Sheet, mapping: ColumnMapping) -> None:
    """InputError unless each column of ``mapping`` is there once."""
    for column in mapping.columns:
        check_column(sheet, column)


def check_column(sheet: Sheet, column: str) -> None:
    """InputError unless a column of that name is there once."""
    times = sheet.header.count(column)
    if times > 1:
        raise InputError(
            sheet.top(),
            f"{times} columns are called {column!r}",
            "each column that is used a name of its own",
        )
    if times == 0:
        near = difflib.get_close_matches(
            column.casefold(), [name.casefold() for name in sheet.header], n=1, cutoff=0.5
        )
        nearest = [name for name in sheet.header if near and name.casefold() == near[0]]
        hint = f"did you mean {nearest[0]!r}?" if nearest else _no_header_hint(sheet.header)
        raise InputError(
            sheet.top(),
            f"no column {column!r}",
            "one of " + _listed(sheet.header),
            hint,
            fields=_NAMING_FIELDS,
        )


def _listed(names: Sequence[str]) -> str:
    few = ", ".join(map(quoted, names[:MOST_LISTED]))
    return few + (f" and {len(names) - MOST_LISTED} more" if len(names) > MOST_LISTED else "")


_NAMING_FIELDS = tuple(
    f"ColumnMapping.{field}" for field in ("header=False", "counts", "time", "level", "temperature")
)


def _no_header_hint(header: Sequence[str]) -> str:
    if all(is_number(name) for name in header):
        return (
            "if the first line is a frame already, say ColumnMapping.header=False; columns are then called "
            "1, 2, ..."
        )
    return (
        "name the columns with ColumnMapping.counts, ColumnMapping.time, ColumnMapping.level and "
        "ColumnMapping.temperature"
    )


def is_number(cell: str) -> bool:
    """Whether a cell is a number with a decimal point."""
    try:
        plain_float(cell)
    except ValueError:
        return False
    return True
