"""The time between frames: of a session that is held as arrays, or of one too long for that."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dataset.admission.medians import median
from dataset.long_frames import LongFrames
from dataset.records import Recording
from dataset.values import GAP_PERIODS

_MOST_PLACES = 1 << 12  # of a histogram of steps; clocks rarely stray further

Times = NDArray[np.int64]


@dataclass(frozen=True)
class Steps:
    """Steps between frames in ms: the median, the least, and the greatest with the number of the frame before
    it; ``long`` counts those that are gaps.
    """

    median_ms: float
    least_ms: int
    greatest_ms: int
    at_greatest: int
    long: int


def steps_of(frames: Recording) -> Steps | None:
    """The steps between frames; None for fewer than two frames."""
    if len(frames) < 2:
        return None
    if not isinstance(frames, LongFrames):
        steps = np.diff(frames.t_ms)
        middle, worst = median(steps), int(np.argmax(steps))
        long = int(np.count_nonzero(steps > GAP_PERIODS * middle))
        return Steps(middle, int(steps.min()), int(steps[worst]), worst, long)
    tally = StepTally()
    for times in frames.times():
        tally.add(times)
    return tally.steps()


class StepTally:
    """Counts the steps between times that come part by part: how often each step was there."""

    def __init__(self) -> None:
        self._steps, self._times = np.empty(0, np.int64), np.empty(0, np.int64)
        self._last: Times = np.empty(0, np.int64)
        self._greatest, self._at, self._frames = 0, 0, 0

    def add(self, t_ms: Times) -> None:
        """Count the steps of further frames, and the one to them."""
        steps = np.asarray(np.diff(np.concatenate((self._last, t_ms))), np.int64)
        if len(steps):
            worst = int(np.argmax(steps))
            if int(steps[worst]) > self._greatest:
                self._greatest = int(steps[worst])
                self._at = self._frames - len(self._last) + worst
            self._merge(*_counted(steps))
        self._frames += len(t_ms)
        self._last = t_ms[-1:].copy()

    def steps(self) -> Steps | None:
        """What was counted; None for fewer than two frames."""
        if not len(self._steps):
            return None
        upto = np.cumsum(self._times)
        n = int(upto[-1])
        lower, upper = (
            int(self._steps[np.searchsorted(upto, k, side="right")]) for k in ((n - 1) // 2, n // 2)
        )
        middle = (lower + upper) / 2
        long = int(self._times[self._steps > GAP_PERIODS * middle].sum())
        return Steps(middle, int(self._steps[0]), self._greatest, self._at, long)

    def _merge(self, steps: Times, times: Times) -> None:
        every, places = np.unique(np.concatenate((self._steps, steps)), return_inverse=True)
        counted = np.zeros(len(every), np.int64)
        np.add.at(counted, places, np.concatenate((self._times, times)))
        self._steps, self._times = every, counted


def _counted(steps: Times) -> tuple[Times, Times]:
    """Each step once, rising, and how often it is there."""
    least = int(steps.min())
    if int(steps.max()) - least < _MOST_PLACES:
        times = np.bincount(steps - least)
        there = np.flatnonzero(times)
        return there + least, times[there]
    every, number = np.unique(steps, return_counts=True)
    return every, number
