"""Medians of many whole numbers by counting them, which takes one pass where sorting takes many.

Every median is the one that :func:`numpy.median` gives.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

MOST_PLACES = 4  # of a histogram, to a number that is counted: beyond it, sorting is the shorter way
MOST_EXACT = 2.0**52  # up to here doubles tell whole numbers apart, and the middle of two
MOST_TOGETHER = 1 << 18  # numbers that are counted at once, which bounds the memory this takes
MOST_COUNTED = 1 << 16  # places of a histogram that is kept: 16 bits
FEWEST = 64  # numbers in a row, below which counting is the longer way
# Batcher's odd-even merge sort of eight (Knuth, The Art of Computer Programming 3, 5.3.4), by layers; the
# last one changes no median
_EIGHT = (
    ((0, 1), (2, 3), (4, 5), (6, 7)),
    ((0, 2), (1, 3), (4, 6), (5, 7)),
    ((1, 2), (5, 6)),
    ((0, 4), (1, 5), (2, 6), (3, 7)),
    ((2, 4), (3, 5)),
)

Reals = NDArray[np.float64]
Whole = NDArray[np.integer[Any]]


def medians(rows: Whole) -> Reals:
    """The median of each row of whole numbers, shape (..., n) to (...); n is at least 1."""
    if rows.shape[-1] < FEWEST:
        return np.asarray(_of_few(rows), np.float64)
    flat = rows.reshape(-1, rows.shape[-1])
    together = max(1, MOST_TOGETHER // flat.shape[1])
    parts = [_counted(flat[start : start + together]) for start in range(0, len(flat), together)]
    return np.concatenate([np.empty(0), *parts]).reshape(rows.shape[:-1])


def _counted(flat: Whole) -> Reals:
    """The medians of a few rows, shape (rows, n), by a histogram of each."""
    low, high = flat.min(axis=1, keepdims=True), flat.max(axis=1, keepdims=True)
    apart = float((high.astype(np.float64) - low).max(initial=0.0))
    far = max(float(high.max(initial=0)), -float(low.min(initial=0)))
    if far > MOST_EXACT or (apart + 1) * len(flat) > MOST_PLACES * flat.size:
        return np.asarray(np.median(flat, axis=-1), np.float64)
    places = int(apart) + 1
    own = (np.arange(len(flat)) * places)[:, None]
    counted = np.bincount((flat - low + own).ravel(), minlength=places * len(flat))
    upto = counted.reshape(len(flat), places).cumsum(axis=1)
    n = flat.shape[1]
    middle = [low[:, 0] + np.argmax(upto > k, axis=1) for k in ((n - 1) // 2, n // 2)]
    return np.asarray((middle[0] + middle[1]) / 2, np.float64)


def of_parts(columns: Whole, parts: int) -> tuple[Reals, Reals]:
    """The medians of each row cut into ``parts`` as :func:`numpy.array_split` cuts, the first ones longer by
    one where it doesn't come out even, shape (rows, parts), and those of the whole rows, (rows,).
    """
    rows, n = columns.shape
    length, longer = divmod(n, parts)
    low, high = columns.min(axis=1, initial=0), columns.max(axis=1, initial=0)
    if length >= FEWEST and high.max(initial=0) <= MOST_EXACT:
        low = columns.min(axis=1)
        places = int((high.astype(np.int64) - low).max(initial=0)) + 1
        if places * parts <= MOST_PLACES * n:
            together = max(1, MOST_TOGETHER // n)
            counted = [
                _cut_and_counted(columns[at : at + together], low[at : at + together], parts, places)
                for at in range(0, rows, together)
            ]
            return np.concatenate([of for of, _ in counted]), np.concatenate([of for _, of in counted])
    cut = (columns[:, : longer * (length + 1)], length + 1), (columns[:, longer * (length + 1) :], length)
    of_each = [medians(part.reshape(rows, -1, size)) for part, size in cut if part.shape[1]]
    return np.concatenate(of_each, axis=1), medians(columns)


def _cut_and_counted(columns: Whole, low: Whole, parts: int, places: int) -> tuple[Reals, Reals]:
    rows, n = columns.shape
    length, longer = divmod(n, parts)
    size = np.dtype(np.int64 if rows * parts * places > 1 << 30 else np.int32)
    at = (np.arange(rows * parts).reshape(rows, parts) * places - low[:, None]).astype(size)
    placed = columns.astype(size)
    border = longer * (length + 1)
    placed[:, :border].reshape(rows, longer, length + 1)[...] += at[:, :longer, None]
    placed[:, border:].reshape(rows, parts - longer, length)[...] += at[:, longer:, None]
    times = np.bincount(placed.ravel(), minlength=rows * parts * places).reshape(rows, parts, places)
    return middles(times, low[:, None]), middles(times.sum(axis=1), low)


def middles(times: Whole, low: Whole) -> Reals:
    """The medians of numbers that were counted: ``times`` says how often each was there, shape (..., places),
    from ``low`` on, shape (...); at least one number each.
    """
    upto = times.cumsum(axis=-1)
    n = upto[..., -1:]
    lower, upper = ((upto > k).argmax(axis=-1) for k in ((n - 1) // 2, n // 2))
    return np.asarray((2 * low.astype(np.int64) + lower + upper) / 2, np.float64)


class Counted:
    """Whole numbers of 0 and more in rows, counted part by part; those of :data:`MOST_COUNTED` and more are
    too many places to count, and ``wide`` says that there were some.
    """

    def __init__(self, rows: int) -> None:
        self._times = np.zeros((rows, 0), np.int64)
        self.wide = False

    def add(self, numbers: Whole) -> Counted:
        """Count further numbers, shape (rows, n)."""
        rows, n = numbers.shape
        places = int(numbers.max(initial=-1)) + 1
        self.wide = self.wide or places > MOST_COUNTED
        if n and not self.wide:
            own = (np.arange(rows) * places)[:, None].astype(np.int32)
            together = max(1, MOST_TOGETHER // rows)
            for at in range(0, n, together):
                placed = numbers[:, at : at + together].astype(np.int32) + own
                times = np.bincount(placed.ravel(), minlength=rows * places)
                self.merge(times.reshape(rows, places))
        return self

    def merge(self, times: Whole | Counted) -> None:
        """Count what was counted elsewhere, shape (rows, places)."""
        if isinstance(times, Counted):
            self.wide = self.wide or times.wide
            times = times._times
        missing = times.shape[1] - self._times.shape[1]
        if missing > 0:
            self._times = np.pad(self._times, ((0, 0), (0, missing)))
        self._times[:, : times.shape[1]] += times

    @property
    def number(self) -> int:
        """How many numbers there were in each row."""
        return int(self._times[0].sum())

    def medians(self) -> Reals:
        """The median of each row."""
        return middles(self._times, np.zeros(len(self._times), np.int64))


def _of_few(rows: Whole) -> Reals:
    if rows.shape[-1] != 8:
        return np.asarray(np.median(rows, axis=-1), np.float64)
    lanes = [np.ascontiguousarray(rows[..., k]) for k in range(8)]
    for layer in _EIGHT:
        for low, high in layer:
            lanes[low], lanes[high] = np.minimum(lanes[low], lanes[high]), np.maximum(lanes[low], lanes[high])
    return (lanes[3].astype(np.int64) + lanes[4]) / 2


def median(values: Whole) -> float:
    """The median of whole numbers, shape (n,)."""
    return float(medians(values[None, :])[0])
