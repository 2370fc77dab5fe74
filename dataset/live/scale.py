"""A scale that sends its mass as lines of text, and when that stands still.

A line holds one number, in grams unless 'kg' stands behind it: ``431.2``, ``431,2 g``, ``+0.4312 kg``. Lines
that hold anything else are counted and passed over.
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass

from dataset.live.board import MAX_LINE
from dataset.values import check_number

STEADY_G = 1.0
SETTLE_S = 5.0  # common practice, no source: waves in a tank of a few litres are gone by then
QUIET_S = 2.0  # a scale that says nothing for so long is not there
_MASS = re.compile(r"([+-]?)\s*([0-9]{1,9}(?:[.,][0-9]{1,6})?)\s*(g|kg)?", re.IGNORECASE)


class MassReader:
    """Cuts a stream of bytes into masses in grams; ``garbage`` counts the lines that hold none."""

    def __init__(self) -> None:
        self.garbage = 0
        self._rest = b""

    def feed(self, data: bytes) -> list[float]:
        """The masses that ``data`` completes."""
        *whole, self._rest = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        if len(self._rest) > MAX_LINE:
            self._rest = b"?"
        masses = [self._mass(line) for line in whole if line.strip()]
        return [mass for mass in masses if mass is not None]

    def cut(self) -> None:
        """The stream was interrupted: a line that has begun is lost."""
        self._rest = b""

    def _mass(self, line: bytes) -> float | None:
        match = _MASS.fullmatch(line.decode("ascii", "replace").strip())
        if match is None:
            self.garbage += 1
            return None
        sign, number, unit = match.groups()
        return float(f"{sign}{number.replace(',', '.')}") * (1000.0 if (unit or "").lower() == "kg" else 1.0)


@dataclass(frozen=True)
class Steadiness:
    """A mass stands still once all of it within ``settle_s`` seconds lies within ``steady_g`` grams."""

    steady_g: float = STEADY_G
    settle_s: float = SETTLE_S

    def check(self) -> None:
        """InputError for bounds that cannot be."""
        check_number("steady_g", self.steady_g, 0, 1e6, above=True, unit="g")
        check_number("settle_s", self.settle_s, 0, 3600, above=True, unit="s")


class Weighing:
    """The mass on a scale as it comes in: ``held`` is what it stands still at, None while it moves."""

    def __init__(self, rule: Steadiness) -> None:
        self._rule = rule
        self._recent: deque[tuple[float, float]] = deque()
        self._since: float | None = None
        self.held: float | None = None
        self.latest: float | None = None

    def take(self, mass_g: float, at_s: float) -> None:
        """A mass that came in at ``at_s`` seconds of a rising clock."""
        self.latest = mass_g
        if self.held is not None and abs(mass_g - self.held) > self._rule.steady_g:
            self.lose()
            self.latest = mass_g
        self._since = at_s if self._since is None else self._since
        self._recent.append((at_s, mass_g))
        while at_s - self._recent[0][0] > self._rule.settle_s:
            self._recent.popleft()
        masses = [mass for _, mass in self._recent]
        if max(masses) - min(masses) > self._rule.steady_g:
            self.held = None
        elif self.held is None and at_s - self._since >= self._rule.settle_s and len(masses) > 1:
            self.held = sum(masses) / len(masses)

    def quiet(self, now_s: float) -> None:
        """Time has passed: a scale that went silent says nothing of now."""
        if self._recent and now_s - self._recent[-1][0] > QUIET_S:
            self.lose()

    def lose(self) -> None:
        """What was known of the mass does not hold any more."""
        self._recent.clear()
        self._since = self.held = self.latest = None
