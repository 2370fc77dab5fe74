"""Steady stretches between pours, found in the counts alone: where marks may go.

A frame is steady when the median of the counts after it lies close to the median of those before it, measured
by the noise from frame to frame. Medians throughout, so that a few outlying counts neither break a stretch
nor make one. What is found are the times at which nothing happened; whether the level was known then is for
the person at the bench to say. A fill that is slower than about three
times the noise each frame looks steady: the drift of each stretch shows it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dataset.values import LEAST_NOISE, MAD_TO_SD

WINDOW = 5  # frames on either side
THRESHOLD = (
    16.0  # changes of more than this many times the noise are not steady; found on real readings, no source
)
MIN_FRAMES = 8


def noise(counts: NDArray[np.integer]) -> NDArray[np.float64]:
    """Standard deviation of each channel from frame to frame, whatever the level does: counts (n, channels)
    give (channels,).

    The median absolute second difference, which a steady slope leaves alone, times 1.4826 / sqrt(6) for
    normal noise, and at least half a count.
    """
    bends = np.diff(counts.astype(np.float64), n=2, axis=0)
    middle = np.median(np.abs(bends), axis=0) if len(bends) else np.zeros(counts.shape[1])
    return np.asarray(np.maximum(middle * MAD_TO_SD / np.sqrt(6), LEAST_NOISE), np.float64)


def steady_stretches(
    counts: NDArray[np.integer], min_frames: int = MIN_FRAMES
) -> tuple[tuple[int, int], ...]:
    """Start and stop of every steady stretch.

    Args:
        counts: (n, channels).
        min_frames: shorter stretches are left out.
    """
    n = len(counts)
    if n < 2 * WINDOW:
        return ()
    scaled = counts / noise(counts)
    middle = np.median(
        np.lib.stride_tricks.sliding_window_view(scaled, WINDOW, axis=0), axis=-1
    )  # (n - WINDOW + 1, channels)
    change = np.max(
        np.abs(middle[WINDOW:] - middle[:-WINDOW]), axis=1
    )  # between the windows that meet before frame WINDOW + k
    still = np.concatenate((np.full(WINDOW, change[0]), change, np.full(WINDOW - 1, change[-1]))) <= THRESHOLD
    edges = np.flatnonzero(np.diff(np.concatenate(([False], still, [False])).astype(np.int8)))
    grown = _grown(scaled, [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)])
    return tuple((a, b) for a, b in grown if b - a >= min_frames)


def drift(counts: NDArray[np.integer]) -> NDArray[np.float64]:
    """How far each channel's median moved from the first to the last frames of a stretch: counts (n,
    channels) give (channels,).
    """
    return np.asarray(np.median(counts[-WINDOW:], axis=0) - np.median(counts[:WINDOW], axis=0), np.float64)


def _grown(scaled: NDArray[np.float64], cores: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """The windows around a change reach into what is still steady: ends grow while frames lie close to the
    stretch's own.
    """
    grown: list[tuple[int, int]] = []
    for k, (start, stop) in enumerate(cores):
        before = grown[-1][1] if grown else 0
        after = cores[k + 1][0] if k + 1 < len(cores) else len(scaled)
        first, last = (
            np.median(scaled[start : start + WINDOW], axis=0),
            np.median(scaled[max(start, stop - WINDOW) : stop], axis=0),
        )
        grown.append(
            (start - _near(scaled[before:start][::-1], first), stop + _near(scaled[stop:after], last))
        )
    return grown


def _near(scaled: NDArray[np.float64], own: NDArray[np.float64]) -> int:
    """How many frames from the first on lie close to ``own``."""
    far = (
        np.flatnonzero(np.max(np.abs(scaled - own), axis=1) > THRESHOLD / 2)
        if len(scaled)
        else np.empty(0, np.int64)
    )
    return int(far[0]) if len(far) else len(scaled)
