"""When liquid last came in, from what is stated of a session: how many seconds before each frame, as an
appliance that opens its own inlet knows them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dataset.records import Flow, Mark, Stretch

NOT_KNOWN = -1
CLOSE_MS = 2000  # a level that rises between marks further apart rose nobody knows when
LEAST_RISE_MM = 1.0  # less than this may be a label's own error


def seconds_since_pour(
    t_ms: NDArray[np.int64], marks: Sequence[Mark], stretches: Sequence[Stretch]
) -> NDArray[np.int64]:
    """Whole seconds since liquid last came in, int64 (n,), at the frames of a session at ``t_ms``, int64
    (n,), by its marks and conditions; -1 where it is not known.

    Liquid comes in where the flow is stated as filling, and where none is stated and the marked level has
    risen by a millimetre within two seconds, and rises still. Before the first of these nothing is known, nor
    from a gap between marks on behind which the level is higher: when in it liquid came in, no one says.
    """
    t, n = np.asarray(t_ms, np.int64), len(t_ms)
    level, (stated, filling) = _levels(marks, n), _flows(stretches, n)
    pours = filling | (_rising(level, t) & ~stated)
    index = np.arange(n)
    last, lost = (
        np.maximum.accumulate(np.where(at, index, -1)) for at in (pours, _unseen(level, t, stated) & ~pours)
    )
    known = last > lost
    return np.where(known, (t - t[np.maximum(last, 0)]) // 1000, NOT_KNOWN)


def _levels(marks: Sequence[Mark], n: int) -> NDArray[np.float64]:
    """The marked level of each frame in mm, (n,); NaN where there is none."""
    level = np.full(n, np.nan)
    for mark in marks:
        stop = mark.level_mm if mark.level_stop_mm is None else mark.level_stop_mm
        level[mark.start : mark.stop] = np.linspace(mark.level_mm, stop, mark.stop - mark.start)
    return level


def _flows(stretches: Sequence[Stretch], n: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Frames whose flow is stated, and those in which the tank fills, (n,) each."""
    stated, filling = np.zeros((2, n), np.bool_)
    for stretch in stretches:
        flow = stretch.conditions.flow
        stated[stretch.start : stretch.stop] = flow is not None
        filling[stretch.start : stretch.stop] = flow is Flow.FILLING
    return stated, filling


def _rising(level: NDArray[np.float64], t: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Frames at which the level is higher than at the marked frame before, and by a millimetre than at one
    that is close, (n,).
    """
    risen = np.zeros(len(level), np.bool_)
    for step in range(1, len(level)):
        close = t[step:] - t[:-step] <= CLOSE_MS
        if not close.any():
            break
        risen[step:] |= close & (level[step:] - level[:-step] > LEAST_RISE_MM)
    return risen & (level > _before(level))


def _unseen(level: NDArray[np.float64], t: NDArray[np.int64], stated: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Frames of gaps between marks in which liquid came in and no one says when, that behind each included,
    (n,).
    """
    unseen = np.zeros(len(level), np.bool_)
    marked = np.flatnonzero(~np.isnan(level))
    risen = (np.diff(t[marked]) > CLOSE_MS) & (np.diff(level[marked]) > LEAST_RISE_MM)
    for a, b in zip(marked[:-1][risen], marked[1:][risen], strict=True):
        unseen[a + 1 : b + 1] = ~stated[a + 1 : b + 1]
    return unseen


def _before(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """The level of the marked frame before each, (n,); NaN before the first."""
    index = np.arange(len(level))
    last = np.maximum.accumulate(np.where(np.isnan(level), -1, index))
    last = np.concatenate([[-1], last[:-1]])
    return np.where(last >= 0, level[np.maximum(last, 0)], np.nan)
