"""A name for each of many rows, kept as codes of four bytes: texts of a fixed width take hundreds.

The words are those of statistics: a categorical variable has categories, and a row the code of one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from training.rows import Ints, Mask


@dataclass(frozen=True)
class Categorical:
    """``categories`` are names, each once, in order; ``codes`` int32 (n,) say which of them a row has. Codes
    come in the order of the names, so that what is summed group by group is summed in one order.
    """

    categories: tuple[str, ...]
    codes: NDArray[np.int32]

    @classmethod
    def of(cls, names: Sequence[str], at: Ints | Mask | None = None) -> Categorical:
        """The rows' names. ``at`` (n,): the place of each row's name among ``names``, of which some may be
        alike; None: there is one a row.
        """
        categories, codes = np.unique(np.asarray(names, np.str_), return_inverse=True)
        narrow = codes.astype(np.int32)
        return cls(tuple(categories.tolist()), narrow if at is None else narrow[np.asarray(at, np.intp)])

    @classmethod
    def joined(cls, parts: Sequence[Categorical]) -> Categorical:
        """Several lots of rows, one after the other."""
        starts = np.cumsum([0, *(len(part.categories) for part in parts)]).tolist()
        names = [name for part in parts for name in part.categories]
        at = [part.codes + np.int32(start) for part, start in zip(parts, starts[:-1], strict=True)]
        return cls.of(names, np.concatenate(at).astype(np.int64))

    def __len__(self) -> int:
        return len(self.codes)

    def __getitem__(self, rows: Ints | Mask) -> Categorical:
        """Those of some rows."""
        return Categorical(self.categories, self.codes[rows])

    def name(self, row: int) -> str:
        """The name of one row."""
        return self.categories[int(self.codes[row])]

    def rows_of(self, name: str) -> Mask:
        """The rows that have a name, (n,); none where it is no category."""
        if name not in self.categories:
            return np.zeros(len(self), np.bool_)
        return np.asarray(self.codes == self.categories.index(name), np.bool_)

    def found(self) -> list[str]:
        """The names that rows have, in order."""
        return [self.categories[k] for k in np.flatnonzero(self._frames()).tolist()]

    def numbered(self) -> tuple[list[str], Ints]:
        """The same, and int64 (n,) which of them each row has."""
        there = self._frames() > 0
        return self.found(), (np.cumsum(there) - 1)[self.codes]

    def _frames(self) -> Ints:
        """How many rows each category has, (categories,)."""
        return np.bincount(self.codes, minlength=len(self.categories))
