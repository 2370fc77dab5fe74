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
