"""What happens on the liquid and on the wall in the course of a session: foam in layers, film on each pad.

Two makers of each, with physics of their own; numbers without a source are invented, and spreads are drawn
once a session.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from captures.field import Floats, contrast

LAYERS = 4  # of a foam: it is wetter below than above


@dataclass(frozen=True)
class FoamCourse:
    """Foam over time: thickness (n,) mm, and for each of its layers, lowest first, the permittivity (n,
    LAYERS); ``flicker`` (n, pads) is what bubbles make of its signal, about 1.
    """

    thickness_mm: Floats
    permittivity: Floats
    flicker: Floats


FoamMaker = Callable[[Floats, int, np.random.Generator], FoamCourse]  # seconds (n,), pads
FilmMaker = Callable[
    [Floats, Floats, np.random.Generator], Floats
]  # ages (n, pads) s, depth below its top (pads,)


def foam_permittivity(wetness: Floats) -> Floats:
    """Of foam with the liquid fraction ``wetness`` of water: its films lie every way, and a third of them
    along the field (Lemlich, J. Colloid Interface Sci. 64 (1978) 107, for conductance; from memory).
    """
    return np.asarray(1.0 + 80.0 * wetness / 3.0, np.float64)


def fading_foam(t_s: Floats, pads: int, rng: np.random.Generator) -> FoamCourse:
    """Foam that fades: it thins to 1/e in 25 to 90 s, and drains evenly to half its liquid in 5 to 30 s,
    drier above than below by a factor that is drawn. Bubbles flicker from frame to frame.
    """
    thickness = rng.uniform(8, 40) * np.exp(-t_s / rng.uniform(25, 90))
    wetness = np.maximum(rng.uniform(0.012, 0.07) / (1 + t_s / rng.uniform(5, 30)), 0.004)
    profile = np.exp(-rng.uniform(0.2, 1.2) * (np.arange(LAYERS) + 0.5) / LAYERS)
    flicker = 1 + 0.07 * rng.normal(size=(len(t_s), pads))
    return FoamCourse(
        thickness, foam_permittivity(wetness[:, None] * profile / profile.mean()), np.asarray(flicker)
    )


def breaking_foam(t_s: Floats, pads: int, rng: np.random.Generator) -> FoamCourse:
    """Foam that breaks from above: it stands for a while, then its top falls at one speed; its liquid runs
    down as the square root of time, and the lowest layer keeps what comes from above. Bubbles merge now and
    then, so that the flicker lasts over some frames (first-order autoregressive, 0.8).
    """
    start, stands, speed = rng.uniform(6, 45), rng.uniform(0, 8), rng.uniform(0.1, 1.2)
    thickness = np.maximum(start - speed * np.maximum(t_s - stands, 0.0), rng.uniform(0, 4))
    fresh, slow = rng.uniform(0.015, 0.09), rng.uniform(1, 10)
    mean = fresh / np.sqrt(1 + t_s / slow)
    lost = 1 - mean / fresh
    above = np.linspace(1, 0, LAYERS) ** 2  # what has run down gathers below
    profile = 1 - 0.7 * lost[:, None] * (1 - above) + 0.6 * lost[:, None] * above
    flicker = np.empty((len(t_s), pads))
    at = rng.normal(size=pads)
    for k in range(len(t_s)):
        at = 0.8 * at + 0.6 * rng.normal(size=pads)
        flicker[k] = 1 + 0.09 * at
    return FoamCourse(thickness, foam_permittivity(mean[:, None] * profile), flicker)


def draining_film(age_s: Floats, below_top_mm: Floats, rng: np.random.Generator) -> Floats:
    """Film that drains as sqrt(z / t) (Jeffreys, Proc. Camb. Phil. Soc. 26 (1930) 204, from memory): the
    share (n, pads) that it shows of a covered pad, at most 0.45.
    """
    drawn = rng.uniform(0.03, 0.30)
    share = drawn * np.sqrt(np.maximum(below_top_mm, 0.0)[None, :] / 100 / np.maximum(age_s, 0.2) * 2)
    return np.asarray(np.minimum(share, 0.45), np.float64)


def beading_film(age_s: Floats, below_top_mm: Floats, rng: np.random.Generator) -> Floats:
    """Film that breaks into beads: it fades exponentially and leaves on each pad what stays, of its own size,
    alike from top to bottom.
    """
    start, fades = rng.uniform(0.08, 0.4), rng.uniform(2, 15)
    rest = rng.uniform(0.0, 0.12, len(below_top_mm)) * (below_top_mm > 0)
    share = (start - rest) * np.exp(-age_s / fades) + rest
    return np.asarray(np.clip(np.where(below_top_mm > 0, share, 0.0), 0.0, 0.5), np.float64)


def layer_contrast(foam: FoamCourse, wall: float) -> Floats:
    """What each layer of foam shows of what a conductor would, (n, LAYERS)."""
    return contrast(foam.permittivity, wall)


def foam_mixture(foam: FoamCourse, dispersion: complex) -> NDArray[np.complex128]:
    """The permittivity of each layer, (n, LAYERS), of a liquid whose own is ``dispersion`` times that behind
    ``foam``: currents and displacements share one problem of Laplace, so that both scale alike.
    """
    return np.asarray(1.0 + (foam.permittivity - 1.0) * dispersion, np.complex128)
