"""Sections that are measured or cut, not calculated: strapping tables, and the slices of a closed mesh."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from dataset.errors import InputError, quoted
from dataset.files.disk import text_at_most
from dataset.files.lines import cells_of
from dataset.tanks.quadrature import Reals
from dataset.tanks.shapes import Section
from dataset.values import MAX_MM, plain_float
from dataset.words import counted

STRAPPING_COLUMNS = ("height_mm", "volume_ml")


@dataclass(frozen=True)
class Strapping(Section):
    """A strapping table: volumes at heights, the volume linear between them (so the area is a staircase).

    The first height is 0, the datum; the volume there, if not 0, is what lies below the datum.
    """

    kind = "strapping"
    height_mm: tuple[float, ...]
    volume_ml: tuple[float, ...]

    def __post_init__(self) -> None:
        heights, volumes = self.height_mm, self.volume_ml
        if len(heights) != len(volumes) or len(heights) < 2:
            raise InputError("strapping table", counted(len(heights), "row"), "at least two")
        if heights[0] != 0 or not heights[-1] <= MAX_MM:
            raise InputError(
                "strapping table",
                f"heights from {heights[0]:g} to {heights[-1]:g} mm",
                f"heights from 0, the datum, to at most {MAX_MM:g} mm",
            )
        if not volumes[0] >= 0:
            raise InputError("strapping table", f"a volume of {volumes[0]:g} mL", "at least 0")
        for k in range(1, len(heights)):
            if not heights[k] > heights[k - 1]:
                raise InputError(
                    "strapping table", f"{heights[k]:g} mm after {heights[k - 1]:g} mm", "heights that rise"
                )
            if not volumes[k] > volumes[k - 1]:
                raise InputError(
                    "strapping table",
                    f"{volumes[k]:g} mL after {volumes[k - 1]:g} mL, at {heights[k]:g} mm",
                    "volumes that rise",
                )

    @property
    def tall_mm(self) -> float:
        return self.height_mm[-1]

    def area(self, z: Reals) -> Reals:
        """Slope of the volume; at a height of the table, that above it."""
        slopes = np.diff(self.volume_ml) / np.diff(self.height_mm) * 1000
        return np.asarray(
            slopes[np.clip(np.searchsorted(self.height_mm, z, side="right") - 1, 0, len(slopes) - 1)]
        )

    def volume(self, z: Reals) -> Reals:
        """Volume above the datum and below ``z``, linear between the table's heights."""
        return np.interp(z, self.height_mm, np.subtract(self.volume_ml, self.volume_ml[0])) * 1000


@dataclass(frozen=True)
class Slices(Section):
    """Horizontal slices of a closed surface: heights ``z_mm``, and of each slice the area at its bottom,
    middle and top.

    Between two neighbouring heights of corners the area of a polyhedron's cut is a quadratic, so three areas
    say all of it and the volume (Simpson's rule) is exact. ``file`` and ``sha256`` say which mesh was cut.
    """

    kind = "mesh"
    z_mm: tuple[float, ...]
    area_mm2: tuple[tuple[float, float, float], ...]
    file: str = ""
    sha256: str = ""

    def __post_init__(self) -> None:
        rise = len(self.z_mm) > 1 and self.z_mm[0] == 0 and bool(np.all(np.diff(self.z_mm) > 0))
        areas = np.asarray(self.area_mm2, dtype=np.float64)
        if not (
            rise
            and self.z_mm[-1] <= MAX_MM
            and areas.shape == (len(self.z_mm) - 1, 3)
            and (areas >= 0).all()
            and (areas.sum(axis=1) > 0).all()
        ):
            raise InputError(
                f"mesh {self.file}",
                "slices that are out of order or empty",
                "heights that rise from 0, three areas for each slice",
            )

    @property
    def tall_mm(self) -> float:
        return self.z_mm[-1]

    def _locate(self, z: Reals) -> tuple[NDArrayInt, Reals, Reals]:
        """Slice, its thickness, and how far up in it (0 to 1)."""
        heights = np.asarray(self.z_mm)
        k = np.clip(np.searchsorted(heights, z, side="right") - 1, 0, len(heights) - 2)
        thick = np.diff(heights)[k]
        return k, thick, (z - heights[k]) / thick

    def _coefficients(self) -> tuple[Reals, Reals, Reals]:
        """Of each slice's area over the share of its thickness."""
        low, middle, high = np.asarray(self.area_mm2).T
        return low, 4 * middle - 3 * low - high, 2 * (low + high - 2 * middle)

    def area(self, z: Reals) -> Reals:
        """The slice's quadratic."""
        a0, a1, a2 = self._coefficients()
        k, _, t = self._locate(z)
        return np.maximum(a0[k] + t * (a1[k] + t * a2[k]), 0.0)

    def volume(self, z: Reals) -> Reals:
        """Whole slices below, and the part of the slice that ``z`` is in."""
        a0, a1, a2 = self._coefficients()
        whole = np.concatenate([[0.0], np.cumsum((a0 + a1 / 2 + a2 / 3) * np.diff(self.z_mm))])
        k, thick, t = self._locate(z)
        return np.asarray(whole[k] + thick * t * (a0[k] + t * (a1[k] / 2 + t * a2[k] / 3)))


NDArrayInt = np.ndarray[tuple[int, ...], np.dtype[np.intp]]


def read_strapping(path: Path) -> Strapping:
    """The strapping table in a CSV file with the columns ``height_mm`` and ``volume_ml``; lines that start
    with '#' are comments.

    Raises InputError that names line and column.
    """
    heights, volumes = [], []
    for line, row in csv_rows(path, STRAPPING_COLUMNS):
        heights.append(csv_number(path, line, row, "height_mm"))
        volumes.append(csv_number(path, line, row, "volume_ml"))
    try:
        return Strapping(tuple(heights), tuple(volumes))
    except InputError as error:
        raise InputError(f"{path}: {error.where}", error.found, error.expected, error.hint) from error


def csv_rows(
    path: Path, needed: tuple[str, ...], known: tuple[str, ...] = ()
) -> list[tuple[int, dict[str, str]]]:
    """(line number, row) of each row of a CSV file with a header; all of ``needed`` must be there, and
    nothing but those and ``known``.
    """
    try:
        text = text_at_most(path)
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it isn't UTF-8 text"
        raise InputError(str(path), f"cannot be read ({reason})", "a CSV file") from error
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise InputError(str(path), "no rows", "a header with " + ",".join(needed))
    table = [cells_of(line, f"{path}, line {number}") for number, line in lines]
    header = [cell.strip() for cell in table[0]]
    for column in needed:
        if header.count(column) != 1:
            raise InputError(
                f"{path}, line {lines[0][0]}",
                f"column {column} stands there {header.count(column)} times",
                "once",
                "found: " + ",".join(header),
            )
    for column in header:
        if column not in needed + known or header.count(column) > 1:
            raise InputError(
                f"{path}, line {lines[0][0]}", f"column {column!r}", "each once: " + ", ".join(needed + known)
            )
    rows = []
    for (number, _), cells in zip(lines[1:], table[1:], strict=True):
        if len(cells) != len(header):
            raise InputError(
                f"{path}, line {number}",
                counted(len(cells), "cell"),
                f"{len(header)}, as the header has",
            )
        rows.append((number, {column: cell.strip() for column, cell in zip(header, cells, strict=True)}))
    return rows


def csv_number(path: Path, line: int, row: dict[str, str], column: str) -> float:
    """The finite number in a cell."""
    try:
        value = plain_float(row[column])
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise InputError(f"{path}, line {line}, column {column}", quoted(row[column]), "a number")
    return value
