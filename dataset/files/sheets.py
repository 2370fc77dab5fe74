"""What a table in a file is, whichever kind of file holds it: columns as numbers, cells as text, and where
each stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from dataset.words import counted

MOST_COLUMNS = 4096

Numbers = NDArray[np.float64] | NDArray[np.uint32]


class Sheet(Protocol):
    """The rows of a file below its column names."""

    @property
    def path(self) -> Path: ...

    @property
    def header(self) -> Sequence[str]:
        """The names of the columns."""

    @property
    def delimiter(self) -> str:
        """What stands between cells."""

    @property
    def rows(self) -> int:
        """How many rows there are."""

    @property
    def units(self) -> dict[str, str]:
        """The units that a row below the names states, by column; empty where there is no such row."""

    @property
    def remarks(self) -> Sequence[str]:
        """What stands above the names of the columns, or beside them, and is no row: 'key: value' or any
        text.
        """

    def top(self) -> str:
        """Where the names of the columns stand."""

    def where(self, row: int, column: str = "") -> str:
        """Where a cell or a row stands, in words."""

    def cells(self, column: str) -> list[str]:
        """One column, as text."""

    def bulk(self, columns: Sequence[str], whole: Sequence[str] = ()) -> dict[str, Numbers] | None:
        """Columns as numbers, NaN for an empty cell, all converted at once; None when a cell of them is not a
        plain number.

        Those of ``whole`` come as uint32 where all of them hold whole numbers that fit, which is quicker;
        others, and otherwise these too, as float64.
        """


def check_columns(path: Path, columns: int) -> None:
    """InputError for more columns than any sensor has."""
    if columns > MOST_COLUMNS:
        raise InputError(str(path), counted(columns, "column"), f"at most {MOST_COLUMNS}")
