"""What pads show at a second, lower frequency, at which liquids conduct."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from captures.courses import FoamCourse, foam_mixture
from captures.field import Floats, apparent_contrast, complex_permittivity, sheet_contrast

# water from the tap, detergent in it, alcohol, glycol with little in it: orders of magnitude from memory
CONDUCTIVITY = (
    ("water", (0.01, 0.06)),
    ("soap", (0.02, 0.12)),
    ("spirit", (1e-4, 2e-3)),
    ("glycol", (2e-4, 5e-3)),
)
HIGH_HZ, LOW_HZ = 20e6, 1e6  # above and below where water of the tap conducts as well as it polarises


@dataclass(frozen=True)
class Second:
    """The lowest ``pads`` of a strip read at a second frequency ``low_hz`` too, in channels of their own
    behind the others, at which liquids conduct: least and greatest conductivity of each by name, S/m, drawn
    once a session. At the first one, ``high_hz``, conduction is left out.
    """

    pads: int
    high_hz: float
    low_hz: float
    conductivity: tuple[tuple[str, tuple[float, float]], ...]

    def drawn(self, liquid: str, rng: np.random.Generator) -> float:
        """A conductivity of a liquid, evenly in its logarithm."""
        low, high = dict(self.conductivity)[liquid]
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))


class AtLow:
    """What liquid, foam and film show at a frequency at which the liquid conducts."""

    def __init__(self, permittivity: float, conductivity: float, frequency_hz: float, wall: float) -> None:
        liquid = complex_permittivity(permittivity, conductivity, frequency_hz)
        self.wall, self.dispersion = wall, complex(liquid) / permittivity
        self.wet = float(apparent_contrast(liquid, wall))

    def of_foam(self, foam: FoamCourse) -> Floats:
        """Of each layer of foam, (n, LAYERS)."""
        return apparent_contrast(foam_mixture(foam, self.dispersion), self.wall)

    def of_film(self, shown: Floats) -> Floats:
        """Of a film that shows ``shown`` at the first frequency."""
        return sheet_contrast(shown, self.dispersion, self.wall)
