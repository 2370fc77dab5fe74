"""What a trial comes to while it runs."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from dataset.live.stream import Place
from innage.jobs.trial.stepping import Reading


@dataclass
class Differences:
    """How the levels that were given differ from the reference, in mm: how many, their mean, their root mean
    square, and the one that is furthest off, with the time of its frame.
    """

    count: int = 0
    worst_mm: float | None = None
    worst_t_ms: int | None = None
    _sum: float = 0.0
    _squares: float = 0.0

    def take(self, t_ms: int, difference_mm: float) -> None:
        """One more."""
        self.count += 1
        self._sum += difference_mm
        self._squares += difference_mm**2
        if self.worst_mm is None or abs(difference_mm) > abs(self.worst_mm):
            self.worst_mm, self.worst_t_ms = difference_mm, t_ms

    @property
    def mean_mm(self) -> float | None:
        """None where there is none yet."""
        return self._sum / self.count if self.count else None

    @property
    def rms_mm(self) -> float | None:
        """None where there is none yet."""
        return math.sqrt(self._squares / self.count) if self.count else None

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "frames": self.count,
            "mean_mm": self.mean_mm,
            "rms_mm": self.rms_mm,
            "worst_mm": self.worst_mm,
            "worst_t_ms": self.worst_t_ms,
        }


@dataclass
class Figures:
    """Frames by validity, by reason of withholding and by flag; how they kept time.

    A step that is longer than the period's tolerance is 'late' below one and a half periods, and beyond that
    so many frames are 'lost' as should have come; a shorter one is 'early'. What was lost while the board
    started again nobody knows.
    """

    period_ms: int
    frames: int = 0
    validity: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    flags: Counter[str] = field(default_factory=Counter)
    late: int = 0
    early: int = 0
    lost: int = 0
    board_restarts: int = 0
    anew: int = 0  # starts of the program after the first
    ports_lost: int = 0
    differences: Differences = field(default_factory=Differences)

    def take(self, reading: Reading, place: Place, step_ms: int | None, off_time: bool) -> None:
        """A frame, ``step_ms`` after the one before it."""
        self.anew += reading.anew and self.frames > 0
        self.frames += 1
        self.validity[reading.validity] += 1
        self.flags.update(reading.flags)
        if reading.reason is not None:
            self.reasons[reading.reason] += 1
        if reading.difference_mm is not None:
            self.differences.take(reading.t_ms, reading.difference_mm)
        if place is Place.RESTART:
            self.board_restarts += 1
        elif step_ms is not None and off_time:
            missing = (2 * step_ms + self.period_ms) // (2 * self.period_ms) - 1
            self.lost += max(missing, 0)
            self.late += missing <= 0 and step_ms > self.period_ms
            self.early += step_ms < self.period_ms

    @property
    def accepted_share(self) -> float | None:
        """The share of frames whose reading is not withheld; None before the first."""
        return 1 - self.validity["withheld"] / self.frames if self.frames else None

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        from training.program import FLAG_BITS, REASON_NAMES, VALIDITY_NAMES
        from training.program.model import GIVEN

        reasons = [name for code, name in REASON_NAMES.items() if code != GIVEN]
        return {
            "frames": self.frames,
            "accepted_share": self.accepted_share,
            "validity": {name: self.validity[name] for name in VALIDITY_NAMES.values()},
            "reasons": {name: self.reasons[name] for name in reasons},
            "flags": {name: self.flags[name] for name in FLAG_BITS},
            "restarts": self.anew,
            "board_restarts": self.board_restarts,
            "ports_lost": self.ports_lost,
            "late": self.late,
            "early": self.early,
            "lost": self.lost,
            "differences": self.differences.facts(),
        }
