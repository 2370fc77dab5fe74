"""What the import checks ask of a session's counts, worked out once: medians, noise, movements, ends.

A session that is held as arrays is looked at as a whole. One that is packed, since it is too long for that,
is unpacked a window at a time, and what needs all of a long mark is counted; every number is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dataset.admission.medians import Counted, median, medians, of_parts
from dataset.long_frames import WINDOW, LongFrames
from dataset.records import Mark, Recording
from dataset.values import LEAST_NOISE, MAD_TO_SD

FEWEST_FRAMES = 20  # fewer say nothing about a pad that does not move, or about noise
SLICES = 8  # a mark is cut into at most this many slices, whose medians are compared
SLICE_FRAMES = 4  # the fewest frames whose median shrugs off one stray
_MANY = 1 << 14  # counts of a mark; below it, marks are counted together
_EXACT_SINGLE = 1 << 23  # below it, halves are exact in single precision (IEEE 754)

Reals = NDArray[np.float64]
Columns = NDArray[np.signedinteger]


@dataclass(frozen=True)
class Movement:
    """Of each channel, shape (channels,): how far the medians of a mark's slices are apart, in counts; its
    noise under the mark; whether the first slice is the odd one.
    """

    counts: Reals
    noise: Reals
    at_start: NDArray[np.bool_]


class Counts:
    """The counts of a session channel by channel, signed, so that differences can be taken."""

    def __init__(self, frames: Recording) -> None:
        self.long = frames if isinstance(frames, LongFrames) else None
        self.frames = len(frames)
        self._columns = _signed(frames.counts) if self.long is None else np.empty((0, 0), np.int32)
        self.channels = len(self._columns) if self.long is None else self.long.channels

    def part(self, start: int, stop: int) -> Columns:
        """Those of frames ``start`` to ``stop``, shape (channels, frames)."""
        if self.long is None:
            return self._columns[:, start:stop]
        return _signed(self.long.window(start, stop).counts)

    def windows(self, start: int, stop: int) -> Iterator[Columns]:
        """Those of frames ``start`` to ``stop`` in order, as many at a time as are held at once."""
        size = max(self.frames, 1) if self.long is None else WINDOW
        for at in range(start, stop, size):
            yield self.part(at, min(at + size, stop))

    def of_channel(self, channel: int, parts: Sequence[tuple[int, int]]) -> Columns:
        """One channel's, of some stretches of frames one behind the other, shape (frames,)."""
        rows = [window[channel].copy() for part in parts for window in self.windows(*part)]
        return np.concatenate([np.empty(0, np.int32), *rows])


def _signed(counts: NDArray[np.uint32]) -> Columns:
    columns = counts.T
    if columns.flags.c_contiguous or columns.strides[1:] == (columns.itemsize,):
        top = columns.max(initial=0)
        return columns.view(np.int32) if top < 1 << 31 else columns.astype(np.int64)
    small = counts.max(initial=0) < 1 << 31
    return columns.astype(np.int32 if small else np.int64, order="C")


@dataclass(frozen=True)
class Tally:
    """What is known of a session's counts.

    ``marks`` are the static ones, ``at_marks`` the median counts under each, shape (marks, channels), and
    ``movements`` what moves under each, None for those too short to say. ``noise`` has one number a channel,
    NaN for too few frames: a robust standard deviation from frame-to-frame differences under static marks, of
    all frames where there are none. Differences shrug off slow drift, the median absolute value strays and
    steps. ``slices`` are medians of a few frames each, (channels, slices); ``lowest`` and ``highest`` the
    ends of each channel.
    """

    counts: Counts
    marks: tuple[Mark, ...]
    at_marks: Reals
    movements: tuple[Movement | None, ...]
    noise: Reals
    slices: NDArray[np.floating]
    lowest: Columns
    highest: Columns

    def times(self, channel: int, value: int) -> int:
        """In how many frames a channel reads ``value``."""
        return sum(
            int(np.count_nonzero(w[channel] == value)) for w in self.counts.windows(0, self.counts.frames)
        )

    def medians_over(self, wanted: Sequence[tuple[int, Sequence[Mark]]]) -> list[float]:
        """The median of a channel's counts under some marks together, for each (channel, marks)."""
        if self.counts.long is None:
            return [median(self.counts.of_channel(c, _parts(marks))) for c, marks in wanted]
        low = self.lowest.astype(np.int64)
        counted, over = [Counted(1) for _ in wanted], [{m.start for m in marks} for _, marks in wanted]
        for mark in self.marks:
            of_mark = [k for k, starts in enumerate(over) if mark.start in starts]
            for window in self.counts.windows(mark.start, mark.stop) if of_mark else ():
                for k in of_mark:
                    channel = wanted[k][0]
                    counted[k].add(window[None, channel] - low[channel])
        return [
            median(self.counts.of_channel(channel, _parts(marks)))
            if own.wide
            else float(own.medians()[0]) + int(low[channel])
            for own, (channel, marks) in zip(counted, wanted, strict=True)
        ]


def warmth_of(frames: Recording) -> Callable[[int, int], Reals] | None:
    """The temperatures of frames from one to another, excluded; None where none were measured."""
    if isinstance(frames, LongFrames):
        return frames.temperatures if frames.measures_temperature else None
    warm = frames.temperature_c
    return None if warm is None else lambda start, stop: warm[start:stop]


def static_marks(marks: Sequence[Mark]) -> tuple[Mark, ...]:
    """Those that are no ramps."""
    return tuple(m for m in marks if m.level_stop_mm is None)


def tallied(frames: Recording, marks: Sequence[Mark]) -> Tally:
    """What is known of the counts of ``frames`` under ``marks``."""
    counts, static = Counts(frames), static_marks(marks)
    slices, lowest, highest = _slices(counts)
    steps = Counted(counts.channels)
    waiting = _Waiting(steps)
    at_marks: list[Reals] = []
    movements: list[Movement | None] = []
    for mark in static:
        of_mark = _short_mark if mark.stop - mark.start <= WINDOW or counts.long is None else _long_mark
        middle, movement = of_mark(counts, mark, lowest, waiting)
        at_marks.append(middle)
        movements.append(movement)
    if not static:
        _count_steps(counts, 0, counts.frames, waiting.add)
    waiting.count()
    return Tally(
        counts,
        static,
        np.array(at_marks, np.float64).reshape(-1, counts.channels),
        tuple(movements),
        _noise(counts, static, steps),
        slices,
        lowest,
        highest,
    )


class _Waiting:
    """Steps of short marks wait for one another: counting takes as long for few as for many."""

    def __init__(self, steps: Counted) -> None:
        self._steps, self._few, self._number = steps, list[Columns](), 0

    def add(self, steps: Columns) -> None:
        self._few.append(steps)
        self._number += steps.size
        if self._number > _MANY:
            self.count()

    def count(self) -> None:
        if self._few:
            self._steps.add(np.concatenate(self._few, axis=1))
        self._few, self._number = [], 0

    def merge(self, counted: Counted) -> None:
        self._steps.merge(counted)


def _slices(counts: Counts) -> tuple[NDArray[np.floating], Columns, Columns]:
    """Medians of ``SLICES`` frames each, channel by channel, which shrug off strays; the lowest and highest
    count of each channel.
    """
    n = counts.frames
    slices = max(1, n // SLICES)
    if counts.long is None:
        columns = counts.part(0, n)
        return _cut(columns, slices), *_ends(columns)
    longer = n - SLICES * slices  # slices at the start that have one frame more
    start, done = longer * (SLICES + 1), longer
    cut = np.empty((counts.channels, slices), np.float32)
    first = counts.part(0, start) if longer else counts.part(0, 1)
    cut[:, :longer] = _cut(first, longer) if longer else 0
    ends = [_ends(first)]
    for window in counts.windows(start, n):
        ends.append(_ends(window))
        if ends[-1][1].max() >= _EXACT_SINGLE and cut.dtype == np.float32:
            cut = cut.astype(np.float64)
        some = medians(window.reshape(len(window), -1, SLICES))
        cut[:, done : done + some.shape[1]] = some
        done += some.shape[1]
    lowest, highest = np.min([low for low, _ in ends], axis=0), np.max([high for _, high in ends], axis=0)
    return cut, lowest, highest


def _ends(columns: Columns) -> tuple[Columns, Columns]:
    return columns.min(axis=1), columns.max(axis=1)


def _cut(columns: Columns, parts: int) -> Reals:
    """The medians of each row cut as :func:`numpy.array_split` cuts."""
    length, longer = divmod(columns.shape[1], parts)
    border = longer * (length + 1)
    cut = (columns[:, :border], length + 1), (columns[:, border:], length)
    return np.concatenate([medians(p.reshape(len(p), -1, size)) for p, size in cut if p.shape[1]], axis=1)


def _short_mark(
    counts: Counts, mark: Mark, _lowest: Columns, waiting: _Waiting
) -> tuple[Reals, Movement | None]:
    """The medians under a mark, and what moves there."""
    columns = counts.part(mark.start, mark.stop)
    frames = columns.shape[1]
    steps = np.abs(np.diff(columns))
    if frames < 2 * SLICE_FRAMES:
        waiting.add(steps)
        return medians(columns), None
    if steps.size > _MANY:
        counted = Counted(counts.channels).add(steps)
        waiting.merge(counted)
        of_steps = medians(steps) if counted.wide else counted.medians()
    else:
        waiting.add(steps)
        of_steps = medians(steps)
    parts, middle = of_parts(columns, min(SLICES, frames // SLICE_FRAMES))
    return middle, _movement(parts, middle, of_steps)


def _long_mark(
    counts: Counts, mark: Mark, lowest: Columns, waiting: _Waiting
) -> tuple[Reals, Movement | None]:
    """As :func:`_short_mark`, of a mark that isn't held at once."""
    length, longer = divmod(mark.stop - mark.start, SLICES)
    borders = mark.start + np.cumsum([0, *([length + 1] * longer), *([length] * (SLICES - longer))])
    whole, low = Counted(counts.channels), lowest.astype(np.int32)[:, None]
    of_slices: list[Reals] = []
    for start, stop in zip(borders[:-1].tolist(), borders[1:].tolist(), strict=True):
        own = Counted(counts.channels)
        for window in counts.windows(start, stop):
            own.add(window - low)
        whole.merge(own)
        of_slices.append(np.empty(counts.channels) if own.wide else own.medians() + low[:, 0])
    steps = Counted(counts.channels)
    _count_steps(counts, mark.start, mark.stop, steps.add)
    waiting.merge(steps)
    if whole.wide or steps.wide:
        each = [_one_by_one(counts, mark, channel) for channel in range(counts.channels)]
        parts, middle, of_steps = (np.array([figures[k] for figures in each]) for k in range(3))
    else:
        parts, middle, of_steps = np.stack(of_slices, axis=1), whole.medians() + low[:, 0], steps.medians()
    return middle, _movement(parts, middle, of_steps)


def _one_by_one(counts: Counts, mark: Mark, channel: int) -> tuple[Reals, float, float]:
    """Medians of a mark's slices, of all of it, and of its steps, of a channel with too many places to
    count.
    """
    series = counts.of_channel(channel, [(mark.start, mark.stop)])[None]
    parts, middle = of_parts(series, SLICES)
    return parts[0], float(middle[0]), float(medians(np.abs(np.diff(series)))[0])


def _count_steps(counts: Counts, start: int, stop: int, add: Callable[[Columns], object]) -> None:
    """Hand on how far each count is from the one before, window by window."""
    last = np.empty((counts.channels, 0), np.int32)
    for window in counts.windows(start, stop):
        add(np.abs(np.diff(window, prepend=last)))
        last = window[:, -1:].copy()


def _movement(parts: Reals, middle: Reals, of_steps: Reals) -> Movement:
    odd = np.argmax(np.abs(parts - middle[:, None]), axis=1)
    return Movement(np.ptp(parts, axis=1), _sd_of(of_steps), odd == 0)


def _noise(counts: Counts, marks: Sequence[Mark], steps: Counted) -> Reals:
    number = sum(m.stop - m.start - 1 for m in marks) if marks else counts.frames - 1
    if number < FEWEST_FRAMES - 1:
        return np.full(counts.channels, np.nan)
    if not steps.wide:
        return _sd_of(steps.medians())
    parts = _parts(marks) or [(0, counts.frames)]
    of_each = []
    for channel in range(counts.channels):
        apart = [np.abs(np.diff(counts.of_channel(channel, [part]))) for part in parts]
        of_each.append(median(np.concatenate(apart)))
    return _sd_of(np.array(of_each))


def _parts(marks: Sequence[Mark]) -> list[tuple[int, int]]:
    return [(m.start, m.stop) for m in marks]


def _sd_of(of_steps: Reals) -> Reals:
    """The standard deviation of noise, the median of whose steps ``of_steps`` is."""
    return np.asarray(np.maximum(MAD_TO_SD * of_steps / np.sqrt(2.0), LEAST_NOISE), np.float64)
