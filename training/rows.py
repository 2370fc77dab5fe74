"""The labelled frames that a fit sees, in an order that depends on nothing but their content."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dataset.records import FrozenData

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Narrow = NDArray[np.int32]
Whole = NDArray[np.integer[Any]]
Mask = NDArray[np.bool_]

# a fit on more frames than this takes longer and learns nothing new: frames of one session are alike
MOST_ROWS = 20_000


@dataclass(frozen=True)
class Rows:
    """Frames for fitting: ``counts`` int64 (n, channels), ``level_mm`` float64 (n,), ``group`` int64 (n,)."""

    counts: Ints
    level_mm: Floats
    group: Ints

    def __len__(self) -> int:
        return len(self.group)

    @property
    def weights(self) -> Floats:
        """Weights of mean 1 that let every group count the same, however many frames it has; shape (n,)."""
        return group_weights(self.group)

    @property
    def label_range(self) -> tuple[float, float]:
        return float(self.level_mm.min()), float(self.level_mm.max())

    def where(self, chosen: Mask) -> Rows:
        return Rows(self.counts[chosen], self.level_mm[chosen], self.group[chosen])


def rows_of(data: FrozenData, chosen: Mask) -> Rows:
    """The chosen frames sorted by group, level and counts, at most ``MOST_ROWS`` of them.

    Sorting makes a fit blind to the order in which frames were stored. Groups with more frames than their
    share are thinned evenly along that order.
    """
    rows = Rows(data.counts[chosen], data.level_mm[chosen], data.group[chosen])
    order = np.lexsort((*rows.counts.T[::-1], rows.level_mm, rows.group))
    rows = Rows(rows.counts[order], rows.level_mm[order], rows.group[order])
    if len(rows) <= MOST_ROWS:
        return rows
    share = max(MOST_ROWS // len(np.unique(rows.group)), 2)
    kept = [_evenly(np.flatnonzero(rows.group == g), share) for g in np.unique(rows.group)]
    index = np.concatenate(kept)
    return Rows(rows.counts[index], rows.level_mm[index], rows.group[index])


def in_order(data: FrozenData) -> FrozenData:
    """The same data in session and time order, however its rows lie: itself where they do, not a copy."""
    session, frame = data.session, data.frame
    later = (session[1:] > session[:-1]) | ((session[1:] == session[:-1]) & (frame[1:] >= frame[:-1]))
    return data if later.all() else rows_at(data, np.lexsort((frame, session)))


def rows_at(data: FrozenData, at: Ints | Mask) -> FrozenData:
    """The same data with the rows ``at`` alone, in that order."""
    columns = (
        "counts",
        "t_ms",
        "level_mm",
        "u_mm",
        "temperature_c",
        "session",
        "group",
        "frame",
        "condition",
    )
    return replace(data, **{name: getattr(data, name)[at] for name in columns})


def group_weights(group: Ints) -> Floats:
    """Weights of mean 1, equal in sum over every group; shape (n,)."""
    _, inverse, sizes = np.unique(group, return_inverse=True, return_counts=True)
    return np.asarray(len(group) / (len(sizes) * sizes[inverse]), dtype=np.float64)


def _evenly(index: Ints, most: int) -> Ints:
    if len(index) <= most:
        return index
    return index[np.linspace(0, len(index) - 1, most).round().astype(np.int64)]
