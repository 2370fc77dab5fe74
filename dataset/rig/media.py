"""Media of the field solution: complex permittivities, and foam as a mixture of liquid and gas.

Mixing rules give the permittivity of inclusions of permittivity ``inside``, volume fraction ``share``, in a
host ``host``; values may be complex. Sources: Garnett, Phil. Trans. 203 (1904); Bruggeman, Ann. Phys. 416
(1935) 636; Looyenga, Physica 31 (1965) 401; Lichtenecker, Physik. Z. 27 (1926) 115; Wiener (1912); foam
conduction: Feitosa, Marze, Saint-Jalmes, Durian, J. Phys.: Condens. Matter 17 (2005) 6301 (formulas from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from dataset.rig.grid import E0

Value = float | complex


@dataclass(frozen=True)
class Medium:
    """Relative permittivity, and conductivity in S/m."""

    permittivity: float
    conductivity: float = 0.0

    def at(self, frequency_hz: float) -> complex:
        """The complex relative permittivity at a frequency: eps - j sigma / (2 pi f e0)."""
        return complex(self.permittivity, -self.conductivity / (2 * np.pi * frequency_hz * E0))


AIR = Medium(1.0)


def maxwell_garnett(host: Value, inside: Value, share: float) -> Value:
    """Inclusions apart from one another in a host; with the denser phase as the host it is the upper
    Hashin-Shtrikman bound, else the lower.
    """
    return host * (1 + 3 * share * (inside - host) / (inside + 2 * host - share * (inside - host)))


def bruggeman(host: Value, inside: Value, share: float) -> Value:
    """The symmetric effective medium; of the quadratic's roots the one with a positive real part."""
    b = (3 * share - 1) * inside + (2 - 3 * share) * host
    return (
        (b + np.sqrt(b * b + 8 * inside * host + 0j)) / 4
        if isinstance(host * inside, complex)
        else float((b + np.sqrt(b * b + 8 * inside * host)) / 4)
    )


def looyenga(host: Value, inside: Value, share: float) -> Value:
    """Cube roots add by volume."""
    return (share * inside ** (1 / 3) + (1 - share) * host ** (1 / 3)) ** 3


def lichtenecker(host: Value, inside: Value, share: float) -> Value:
    """Logarithms add by volume."""
    return inside**share * host ** (1 - share)


def wiener(host: Value, inside: Value, share: float) -> tuple[Value, Value]:
    """The lower and the upper Wiener bound: layers across and along the field."""
    return 1 / (share / inside + (1 - share) / host), share * inside + (1 - share) * host


def foam_conduction(wetness: float) -> float:
    """Conductivity of a foam over its liquid's, by the liquid's volume fraction: wetness = 3 s (1 + 11 s) /
    (1 + 25 s + 10 s^2), solved for s.
    """
    if wetness <= 0:
        return 0.0
    return float(brentq(lambda s: 3 * s * (1 + 11 * s) - wetness * (1 + 25 * s + 10 * s * s), 0.0, 1.0))


def foam(liquid: Medium, wetness: float) -> Medium:
    """A foam of liquid fraction ``wetness`` in air: Laplace's problem is the same for currents and
    displacements, so that both scale alike.

    For permittivities this holds while the liquid's is far above the gas's, which adds its own share.
    """
    share = foam_conduction(wetness)
    return Medium(share * liquid.permittivity + 1 - wetness, share * liquid.conductivity)
