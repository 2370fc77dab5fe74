"""Closed forms of what a pad of a strip sees of a tank, and what liquid, foam and film add up to.

All are in shares of what a pad shows behind which everything is a perfect conductor at earth. Depths and
heights are in mm; a pad reaches from ``bottoms`` to ``tops``, each (pads,), and is long beside its height, so
that the field is one of a vertical slice.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
E0 = 8.8541878128e-12  # F/m, CODATA 2018
EdgeLaw = Callable[[Floats, Floats, Floats, float], Floats]  # levels (n,), bottoms, tops, depth: (n, pads)


def slit_share(levels: Floats, bottoms: Floats, tops: Floats, depth: float) -> Floats:
    """The exponential edge: pads on one face of a wall, earth at every height, and on the other face a
    conductor up to the level and earth above it.

    The slit between both faces maps onto a half plane by exp(pi z / depth); the field at the pads' face is 1
    / (1 + exp(pi (z - level) / depth)) of that between plates (Dirichlet problem of a strip: Churchill and
    Brown, Complex Variables and Applications, from memory). Its integral over a pad is the difference of two
    ln(1 + exp u).
    """

    def grown(edge: Floats) -> Floats:
        return np.logaddexp(0.0, np.pi * (levels[:, None] - edge) / depth)

    share = depth / (np.pi * (tops - bottoms)) * (grown(bottoms) - grown(tops))
    return np.asarray(share, np.float64)


def open_share(levels: Floats, bottoms: Floats, tops: Floats, depth: float) -> Floats:
    """The arctangent edge: pads at some depth before a plane that is a conductor up to the level and earth
    above it, nothing behind the pads.

    The potential at a height z is 1/2 + arctan((level - z) / depth) / pi (Poisson's integral for a half
    plane: Churchill and Brown, from memory); its mean over a pad is in closed form with u arctan u - ln(1 +
    u^2) / 2.
    """

    def grown(edge: Floats) -> Floats:
        u = (levels[:, None] - edge) / depth
        return np.asarray(u * np.arctan(u) - np.log1p(u * u) / 2, np.float64)

    share = 0.5 + depth / (np.pi * (tops - bottoms)) * (grown(bottoms) - grown(tops))
    return np.asarray(share, np.float64)


def contrast(permittivity: Floats | float, wall: float) -> Floats:
    """What a dielectric behind a wall shows of what a conductor would: the image charge's (e - 1) / (e +
    wall), 0 for air.
    """
    e = np.asarray(permittivity, np.float64)
    return np.asarray((e - 1.0) / (e + wall), np.float64)


def complex_permittivity(
    permittivity: Floats | float, conductivity: float, frequency_hz: float
) -> NDArray[np.complex128]:
    """The permittivity eps - j sigma / (2 pi f e0) of a liquid that conducts (S/m)."""
    return np.asarray(permittivity - 1j * conductivity / (2 * np.pi * frequency_hz * E0), np.complex128)


def apparent_contrast(permittivity: NDArray[np.complex128], wall: float) -> Floats:
    """As :func:`contrast` of a complex permittivity: what a board that takes the part in phase with a
    capacitor's current reads.
    """
    return np.asarray(((permittivity - 1.0) / (permittivity + wall)).real, np.float64)


def sheet_contrast(shown: Floats, dispersion: complex, wall: float) -> Floats:
    """What a thin sheet on a wall shows whose permittivity is ``dispersion`` times that of one which shows
    ``shown``.

    A sheet of permittivity e and thickness d before air acts, on a field that varies with the wave number k,
    as a half space of 1 + e k d while k d is small (Laplace's equation in layers, as Maxwell and Wagner have
    it; from memory). What it shows tells e k d, which grows with e.
    """
    thick = shown * (1 + wall) / np.maximum(1 - shown, 1e-6)
    seen = thick * dispersion
    return np.asarray((seen / (seen + 1 + wall)).real, np.float64)


def floating(shares: Floats, to_earth: Floats) -> Floats:
    """Shares (n, pads) as seen while the liquid is not earthed: each pad's capacitance in series with that of
    the liquid to everything else.

    One pad is driven at a time, the others are earth to it. ``to_earth`` (n,) is the liquid's own capacitance
    to earth, in covered pads; infinite: earthed. Kirchhoff's rule for capacitors in series.
    """
    others = np.clip(shares.sum(axis=1, keepdims=True) - shares, 0.0, None)
    away = to_earth[:, None] + others
    bound = np.isfinite(to_earth)[:, None]
    kept = np.where(bound, np.where(bound, away, 1.0) / np.where(bound, away + np.abs(shares), 1.0), 1.0)
    return np.asarray(shares * kept, np.float64)
