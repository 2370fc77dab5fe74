"""A program frame by frame, as the chip runs it, and what it says of each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from training.judging.streams import restarts, tenths
from training.program import (
    LEVEL_UNITS_PER_MM,
    NO_LEVEL,
    OUTPUTS,
    TEMPERATURE_RANGE,
    VALIDITY_NAMES,
    Program,
    flag_names,
    initial_state,
    prepare,
    step,
)
from training.program.model import GIVEN, REASON_NAMES

if TYPE_CHECKING:
    from dataset.live.stream import Placed


@dataclass(frozen=True)
class Reading:
    """What the program says of a frame at ``t_ms`` of the session's clock; levels in mm, the level None where
    it is withheld; ``reason`` of withholding, None where it is given.

    ``band``: low and high come of a calibrated band; else they are 0 and the span.
    ``anew``: the program started from power-on with this frame. ``reference_mm``: the level that the scale or
    the operator says; None where neither does. ``kept``: the name of the stretch that it is kept in.
    """

    t_ms: int
    low_mm: float
    level_mm: float | None
    high_mm: float
    validity: str
    flags: tuple[str, ...]
    reason: str | None
    counts: tuple[float, ...]
    temperature_c: float | None
    anew: bool
    band: bool
    reference_mm: float | None = None
    kept: str | None = None

    @property
    def difference_mm(self) -> float | None:
        """By how much the level is above the reference."""
        if self.level_mm is None or self.reference_mm is None:
            return None
        return self.level_mm - self.reference_mm

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        told = vars(self) | {"flags": list(self.flags), "counts": list(self.counts)}
        return told | {"difference_mm": self.difference_mm}


class Stepper:
    """A program that is given frames one after the other; ``trim`` int64 (channels x kinds,), None for a
    program that takes none. A step in time outside the program's tolerance starts it anew, as firmware has
    to.

    The interpreter computes it, which defines what the exported C answers.
    """

    def __init__(self, program: Program, trim: NDArray[np.int64] | None, count_scale: int = 1) -> None:
        self._program, self._scale = program, count_scale
        self._prepared = prepare(program, None if trim is None else trim[None, :])
        self._last_ms: int | None = None
        self._state = initial_state(program)

    def power_on(self) -> None:
        """Start anew with the next frame."""
        self._last_ms = None

    def take(self, placed: Placed) -> Reading:
        """What the program says of the next frame.

        Raises:
            InputError: a temperature that no program takes.
        """
        anew = self._last_ms is None or self.off_time(placed.ms - self._last_ms)
        if anew:
            self._state = initial_state(self._program)
        self._last_ms = placed.ms
        line = placed.line
        counts = np.asarray([line.counts], np.int64)
        warm = tenths(np.asarray([line.temperature_c], np.float64))
        low, high = TEMPERATURE_RANGE
        if not low <= warm[0] <= high:
            raise InputError(
                "the board", f"{line.temperature_c:g} C", f"{low / 10:g} to {high / 10:g} C, as programs take"
            )
        readings, self._state = step(
            self._program, counts, warm, np.zeros(1, np.int64), self._state, self._prepared
        )
        said = dict(zip(OUTPUTS, readings.table()[0].tolist(), strict=True))
        return Reading(
            placed.ms,
            said["low"] / LEVEL_UNITS_PER_MM,
            None if said["level"] == NO_LEVEL else said["level"] / LEVEL_UNITS_PER_MM,
            said["high"] / LEVEL_UNITS_PER_MM,
            VALIDITY_NAMES[said["validity"]],
            flag_names(said["flags"]),
            None if said["reason"] == GIVEN else REASON_NAMES[said["reason"]],
            tuple(count / self._scale if self._scale > 1 else count for count in line.counts),
            None if math.isnan(line.temperature_c) else line.temperature_c,
            anew,
            self._program.has_band,
        )

    def off_time(self, step_ms: int) -> bool:
        """Whether a step in time is outside the tolerance of the program's period."""
        program = self._program
        times = np.asarray([0, step_ms], np.int64)
        return len(restarts(times, program.period_ms, program.period_tolerance_pct)) > 0
