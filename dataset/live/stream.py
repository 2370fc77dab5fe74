"""A board's bytes as frames on one rising clock.

The clock is the board's. A frame that does not follow within three periods of the one before it is kept back
until the next one confirms it, so that a number that was garbled on the way is 'astray', not a jump in time.
Confirmed forwards, it is a gap. Confirmed backwards, the board has started again: the clock then goes on ten
periods after the last frame (how long it really was, the board cannot say), so that time never runs back and
the gap can be seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from dataset.admission.rules import TOP_COUNT
from dataset.counts import scale_for, too_fine, whole_steps
from dataset.errors import InputError
from dataset.live.board import ASTRAY, LIKE_LINES, Line, LineReader
from dataset.live.entries import RESTART_PERIODS
from dataset.records import Sensor

FOLLOW_PERIODS = 3


class Place(Enum):
    """How a frame stands to the one before it."""

    FIRST = "first"
    FOLLOWS = "follows"
    GAP = "gap"
    RESTART = "restart"


@dataclass(frozen=True)
class Placed:
    """A frame, ``ms`` on the stream's clock, which is ``offset_ms`` ahead of the board's."""

    ms: int
    offset_ms: int
    line: Line
    place: Place


class BoardStream:
    """Cuts a board's bytes into frames and puts them in time; what is no frame is counted.

    Args:
        sensor: gives channels, width, scale and period.
        offset_ms: by how much the clock is ahead of the board's.
    """

    def __init__(self, sensor: Sensor, offset_ms: int = 0) -> None:
        self._sensor = sensor
        self._reader = LineReader(sensor.channels, sensor.count_bits, sensor.count_scale)
        self._last_ms: int | None = None
        self._offset = offset_ms
        self._held: Line | None = None
        self._latest: Line | None = None
        self._steps_astray: list[int] = []
        self.tally = self._reader.tally  # of lines that were no frames, by kind
        self.fresh = True  # no frame since the port was opened

    def go_on_after(self, last_ms: int) -> None:
        """What comes follows on frames of earlier, of which the last was at ``last_ms`` on the clock."""
        self._last_ms = last_ms

    @property
    def simulated(self) -> bool:
        """Whether the board has said that it is the virtual rig."""
        return self._reader.simulated

    def feed(self, data: bytes) -> list[Placed]:
        """The frames that ``data`` completes, or confirms.

        Raises:
            InputError: the lines are of a board with another number of channels, another scale or another
                period.
        """
        placed = [frame for line in self._reader.feed(data) for frame in self._take(line)]
        if self._latest is None:
            self._refuse_other_board()
        return placed

    def cut(self) -> None:
        """The stream was interrupted: what has begun, and what is kept back, is lost."""
        self._reader.cut()
        if self._held is not None:
            self.tally[ASTRAY] += 1
        self._held, self.fresh = None, True

    def last(self) -> list[Placed]:
        """The frames of a last line without its newline; the stream has ended."""
        placed = [frame for line in self._reader.last() for frame in self._take(line)]
        self.cut()
        return placed

    def _take(self, line: Line) -> list[Placed]:
        held, self._held = self._held, None
        if held is not None and self._follows(held, line):
            return [self._place_apart(held), self._place(line, Place.FOLLOWS)]
        if held is not None:
            self.tally[ASTRAY] += 1
            if self._latest is None:
                self._steps_astray.append(line.t_ms - held.t_ms)
        if not self.fresh and self._latest is not None and self._follows(self._latest, line):
            return [self._place(line, Place.FOLLOWS)]
        self._held = line
        return []

    def _follows(self, before: Line, after: Line) -> bool:
        return 0 < after.t_ms - before.t_ms <= FOLLOW_PERIODS * self._sensor.period_ms

    def _place_apart(self, line: Line) -> Placed:
        """A frame after a gap, or the first."""
        if self._last_ms is None:
            return self._place(line, Place.FIRST)
        if line.t_ms + self._offset > self._last_ms:
            return self._place(line, Place.GAP)
        self._offset = self._last_ms + RESTART_PERIODS * self._sensor.period_ms - line.t_ms
        return self._place(line, Place.RESTART)

    def _place(self, line: Line, place: Place) -> Placed:
        self._last_ms = line.t_ms + self._offset
        self._latest, self.fresh = line, False
        return Placed(self._last_ms, self._offset, line, place)

    def _refuse_other_board(self) -> None:
        """InputError where what came so far can only be another board's."""
        width, sensor, finest = self._reader.strange_width(), self._sensor, self._reader.finest
        if width is not None:
            expected = f"{sensor.channels}, one for each pad of {sensor.ref}"
            raise InputError(
                "the board",
                f"{width} numbers a line: {width - 1} counts, or {width - 2} and a temperature",
                f"{expected}, after the time",
            )
        if len(finest) >= LIKE_LINES * sensor.channels:
            sent = np.asarray(finest)
            between = sent[~whole_steps(sent, sensor.count_scale)[1]][0]
            raise too_fine("the board", f"{between:.12g}", sensor, scale_for(sent, TOP_COUNT))
        if len(self._steps_astray) >= LIKE_LINES:
            apart = float(np.median(self._steps_astray))
            expected = (
                f"{sensor.period_ms} ms within {FOLLOW_PERIODS} periods, as sensor {sensor.ref} declares"
            )
            raise InputError("the board", f"frames {apart:g} ms apart by its own clock", expected)
