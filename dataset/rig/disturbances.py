"""What disturbs a capture on the virtual bench, each a function of time (n,) in seconds or of levels, with
its source in the scenario.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dataset.rig.scenario import Film, Foam, Hand, Interference, LiquidMotion

Floats = NDArray[np.float64]
GRAVITY = 9.81


def jeffreys_um(below_top_mm: Floats, age_s: Floats, kinematic_m2_s: float) -> Floats:
    """Thickness of a draining film, um: sqrt(nu z / (g t)), z below its upper end (Jeffreys, 1930, from
    memory); 0 where nothing hangs.
    """
    z, t = np.maximum(below_top_mm, 0.0) / 1000, np.maximum(age_s, 1e-3)
    return np.asarray(np.sqrt(kinematic_m2_s * z / (GRAVITY * t)) * 1e6, np.float64)


def film_um(
    level_mm: Floats, middles_mm: Floats, t_s: Floats, start_mm: float, its: Film, wetting: float
) -> Floats:
    """Film on each pad, um (n, pads), as the liquid falls from ``start_mm``: a pad's film ages from the
    moment it was uncovered.
    """
    made = np.zeros((len(t_s), len(middles_mm)))
    for pad, middle in enumerate(middles_mm):
        covered = level_mm >= middle
        if middle >= start_mm:
            continue
        last = np.maximum.accumulate(np.where(covered, t_s, t_s[0] - 1.0))
        thickness = jeffreys_um(np.full(len(t_s), start_mm - middle), t_s - last, its.kinematic_m2_s)
        made[:, pad] = np.where(covered, 0.0, np.minimum(wetting * thickness, its.most_um))
    return made


def foam_course(t_s: Floats, its: Foam, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Thickness in mm and liquid fraction, (n,): foam rises evenly, collapses exponentially and drains as 1 /
    (1 + t / drain).
    """
    thickness, rise, collapse = (
        rng.uniform(*its.thickness_mm),
        rng.uniform(*its.rise_s),
        rng.uniform(*its.collapse_s),
    )
    wetness, drain = rng.uniform(*its.wetness), rng.uniform(*its.drain_s)
    course = np.minimum(t_s / rise, 1.0) * np.exp(-np.maximum(t_s - rise, 0.0) / collapse)
    return thickness * course, np.maximum(wetness / (1 + t_s / drain), its.least_wetness)


def sloshing_mm(
    t_s: Floats, moved: NDArray[np.bool_], its: LiquidMotion, rng: np.random.Generator, *, lasting: bool
) -> Floats:
    """The surface at the wall over its mean, mm: the first mode, set off by movement, decaying; ``lasting``:
    kept going.
    """
    phase = rng.uniform(0, 2 * np.pi)
    last = np.maximum.accumulate(np.where(moved, t_s, -1e9))
    amplitude = (
        its.slosh_mm * (1.0 if lasting else 0.3) * np.exp(-np.minimum(t_s - last, 1e3) / its.slosh_decay_s)
    )
    if lasting:
        amplitude = np.full(len(t_s), its.slosh_mm)
    return np.asarray(amplitude * np.sin(2 * np.pi * its.slosh_hz * t_s + phase), np.float64)


def meniscus_mm(level_mm: Floats, its: LiquidMotion) -> Floats:
    """The liquid at the wall over the level, mm: pulled up behind a falling surface, held down before a
    rising one, kept while still.
    """
    step = np.diff(level_mm, prepend=level_mm[0])
    at, held = 0.0, np.zeros(len(level_mm))
    for k, moved in enumerate(
        step
    ):  # the line at the wall moves only once the surface has gone through the hysteresis
        at = float(np.clip(at - moved, -its.meniscus_mm, its.meniscus_mm))
        held[k] = at
    return held


def interference_counts(t_s: Floats, pads: int, its: Interference, rng: np.random.Generator) -> Floats:
    """Mains as sampled at the frames' jittered instants, on all pads alike, and bursts of switching, counts
    (n, pads).
    """
    instants = t_s + rng.normal(0, its.jitter_ms / 1000, len(t_s))
    mains = its.mains_counts * np.sin(2 * np.pi * its.mains_hz * instants + rng.uniform(0, 2 * np.pi))
    bursts = (rng.random(len(t_s)) < its.switching_share) * rng.normal(0, its.switching_counts, len(t_s))
    return np.tile((mains + bursts)[:, None], (1, pads))


def drops_share(pads: int, its: Film, rng: np.random.Generator) -> Floats:
    """The share of each pad that drops cover, (pads,)."""
    made = np.zeros(pads)
    for _ in range(int(rng.integers(int(its.drops[0]), int(its.drops[1]) + 1))):
        made[rng.integers(0, pads)] += rng.uniform(*its.drop_share)
    return np.minimum(made, 0.6)


def hand_course(n: int) -> Floats:
    """How near a hand is, 0 to 1 (n,): it comes after a third of the time and goes after two, within a few
    frames.
    """
    near = np.zeros(n)
    near[n // 3 : 2 * n // 3] = 1.0
    return np.convolve(near, np.ones(5) / 5, mode="same")


def hand_share(n: int, pads: int, its: Hand, rng: np.random.Generator) -> Floats:
    """A hand near the wall, in swings (n, pads)."""
    centre, wide, height = rng.uniform(0, pads - 1), rng.uniform(*its.width_pads), rng.uniform(*its.share)
    return np.asarray(
        hand_course(n)[:, None] * height * np.exp(-(((np.arange(pads) - centre) / wide) ** 2)), np.float64
    )
