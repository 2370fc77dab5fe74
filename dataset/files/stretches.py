"""CSV files with a stretch of frames a line: ``from`` and ``to``, or ``from_ms`` and ``to_ms``, both ends
included, and further columns.

A fault is named by file, line and column.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError, quoted
from dataset.files.disk import text_at_most
from dataset.files.lines import cells_of
from dataset.values import plain_float
from dataset.words import counted

_WHOLE = re.compile(r"-?[0-9]{1,15}")  # as many digits as a time in milliseconds may have
BOUNDS = (("from", "to"), ("from_ms", "to_ms"))


@dataclass(frozen=True)
class StretchLine:
    """One line: where it stands, its frames ``start`` (included) to ``stop`` (excluded), and its other cells
    that aren't empty.
    """

    where: str
    start: int
    stop: int
    cells: Mapping[str, str]

    def place(self, column: str) -> str:
        """Names a cell in errors."""
        return f"{self.where}, column {column!r}"

    def number(self, column: str) -> float | None:
        """A cell as a finite number; None where it is empty."""
        cell = self.cells.get(column)
        if cell is None:
            return None
        try:
            value = plain_float(cell)
        except ValueError as error:
            raise InputError(self.place(column), quoted(cell), "a number") from error
        if not np.isfinite(value):
            raise InputError(self.place(column), quoted(cell), "a number")
        return value


def read_stretch_lines(path: Path, columns: Sequence[str], t_ms: NDArray[np.int64]) -> list[StretchLine]:
    """The lines of a file, in order and apart.

    Args:
        path: UTF-8; blank lines and lines that start with '#' are skipped, the first other line names the
            columns.
        columns: which columns there may be beside the bounds.
        t_ms: int64 (n,), the times of the session's frames.

    Raises:
        InputError: the first fault.
    """
    try:
        lines = text_at_most(path).splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(str(path), "cannot be read", "a CSV file in UTF-8") from error
    rows = [
        (k + 1, cells_of(line, f"{path}, line {k + 1}"))
        for k, line in enumerate(lines)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if len(rows) < 2:
        raise InputError(str(path), "no stretch", "a line of column names and one line a stretch")
    header = _header(f"{path}, line {rows[0][0]}", rows[0][1], columns)
    stretches: list[StretchLine] = []
    for number, cells in rows[1:]:
        where = f"{path}, line {number}"
        if len(cells) != len(header):
            raise InputError(where, counted(len(cells), "cell"), f"{len(header)}, as in line {rows[0][0]}")
        named = {name: cell.strip() for name, cell in zip(header, cells, strict=True) if cell.strip()}
        start, stop = _frames(where, named, "from_ms" if "from_ms" in header else "from", t_ms)
        if stretches and start < stretches[-1].stop:
            raise InputError(
                where,
                f"a stretch from frame {start}",
                f"{stretches[-1].stop} or later: stretches come in order and apart",
            )
        stretches.append(StretchLine(where, start, stop, named))
    return stretches


def _header(where: str, cells: Sequence[str], columns: Sequence[str]) -> list[str]:
    header = [name.strip() for name in cells]
    bounds = [pair for pair in BOUNDS if set(pair) <= set(header)]
    if len(bounds) != 1 or len(set(header)) < len(header):
        raise InputError(
            where, "columns " + ", ".join(header), "from and to, or from_ms and to_ms, and each column once"
        )
    for name in header:
        if name not in (*bounds[0], *columns):
            raise InputError(
                where, f"a column {name!r}", "from, to (or from_ms, to_ms), " + ", ".join(columns)
            )
    return header


def _frames(
    where: str, cells: Mapping[str, str], first_name: str, t_ms: NDArray[np.int64]
) -> tuple[int, int]:
    """First frame and the one after the last."""
    names = next(pair for pair in BOUNDS if pair[0] == first_name)
    first, last = (_whole(f"{where}, column {name!r}", cells.get(name, "")) for name in names)
    timed = first_name == "from_ms"
    start, stop = (
        (int(np.searchsorted(t_ms, first)), int(np.searchsorted(t_ms, last, side="right")))
        if timed
        else (first, last + 1)
    )
    if not 0 <= start < stop <= len(t_ms):
        reach = f"{t_ms[0]} to {t_ms[-1]} ms" if timed else f"0 to {len(t_ms) - 1}"
        raise InputError(
            f"{where}, column {names[0]!r}",
            f"{first} to {last}",
            f"at least one of the session's frames, within {reach}",
        )
    return start, stop


def _whole(where: str, cell: str) -> int:
    if not _WHOLE.fullmatch(cell):
        raise InputError(where, repr(cell[:80]) if cell else "an empty cell", "a whole number")
    return int(cell)
