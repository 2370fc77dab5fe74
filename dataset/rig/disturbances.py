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
    level_mm: Floats, middles_mm: Floats, t_s: Floats, start_mm: float, law: Film, wetting: float
) -> Floats:
    """Film on each pad, um (n, pads), as the liquid falls from ``start_mm``: a pad's film ages from the
    moment it was uncovered.
    """
    film = np.zeros((len(t_s), len(middles_mm)))
    for pad, middle in enumerate(middles_mm):
        covered = level_mm >= middle
        if middle >= start_mm:
            continue
        last = np.maximum.accumulate(np.where(covered, t_s, t_s[0] - 1.0))
        thickness = jeffreys_um(np.full(len(t_s), start_mm - middle), t_s - last, law.kinematic_m2_s)
        film[:, pad] = np.where(covered, 0.0, np.minimum(wetting * thickness, law.most_um))
    return film


def foam_course(t_s: Floats, law: Foam, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Thickness in mm and liquid fraction, (n,): foam rises evenly, collapses exponentially and drains as 1 /
    (1 + t / drain).
    """
    thickness, rise, collapse = (
        rng.uniform(*law.thickness_mm),
        rng.uniform(*law.rise_s),
        rng.uniform(*law.collapse_s),
    )
    wetness, drain = rng.uniform(*law.wetness), rng.uniform(*law.drain_s)
    course = np.minimum(t_s / rise, 1.0) * np.exp(-np.maximum(t_s - rise, 0.0) / collapse)
    return thickness * course, np.maximum(wetness / (1 + t_s / drain), law.least_wetness)


def sloshing_mm(
    t_s: Floats, moved: NDArray[np.bool_], law: LiquidMotion, rng: np.random.Generator, *, lasting: bool
) -> Floats:
    """The surface at the wall over its mean, mm: the first mode, set off by movement, decaying; ``lasting``:
    kept going.
    """
    phase = rng.uniform(0, 2 * np.pi)
    last = np.maximum.accumulate(np.where(moved, t_s, -1e9))
    amplitude = (
        law.slosh_mm * (1.0 if lasting else 0.3) * np.exp(-np.minimum(t_s - last, 1e3) / law.slosh_decay_s)
    )
    if lasting:
        amplitude = np.full(len(t_s), law.slosh_mm)
    return np.asarray(amplitude * np.sin(2 * np.pi * law.slosh_hz * t_s + phase), np.float64)


def meniscus_mm(level_mm: Floats, law: LiquidMotion) -> Floats:
    """The liquid at the wall over the level, mm: pulled up behind a falling surface, held down before a
    rising one, kept while still.
    """
    step = np.diff(level_mm, prepend=level_mm[0])
    at, held = 0.0, np.zeros(len(level_mm))
    for k, moved in enumerate(
        step
    ):  # the line at the wall moves only once the surface has gone through the hysteresis
        at = float(np.clip(at - moved, -law.meniscus_mm, law.meniscus_mm))
        held[k] = at
    return held


def interference_counts(t_s: Floats, pads: int, law: Interference, rng: np.random.Generator) -> Floats:
    """Mains as sampled at the frames' jittered instants, on all pads alike, and bursts of switching, counts
    (n, pads).
    """
    instants = t_s + rng.normal(0, law.jitter_ms / 1000, len(t_s))
    mains = law.mains_counts * np.sin(2 * np.pi * law.mains_hz * instants + rng.uniform(0, 2 * np.pi))
    bursts = (rng.random(len(t_s)) < law.switching_share) * rng.normal(0, law.switching_counts, len(t_s))
    return np.tile((mains + bursts)[:, None], (1, pads))


def drops_share(pads: int, law: Film, rng: np.random.Generator) -> Floats:
    """The share of each pad that drops cover, (pads,)."""
    covered = np.zeros(pads)
    for _ in range(int(rng.integers(int(law.drops[0]), int(law.drops[1]) + 1))):
        covered[rng.integers(0, pads)] += rng.uniform(*law.drop_share)
    return np.minimum(covered, 0.6)


def hand_course(n: int) -> Floats:
    """How near a hand is, 0 to 1 (n,): it comes after a third of the time and goes after two, within a few
    frames.
    """
    near = np.zeros(n)
    near[n // 3 : 2 * n // 3] = 1.0
    return np.convolve(near, np.ones(5) / 5, mode="same")


def hand_share(n: int, pads: int, law: Hand, rng: np.random.Generator) -> Floats:
    """A hand near the wall, in swings (n, pads)."""
    centre, wide, height = rng.uniform(0, pads - 1), rng.uniform(*law.width_pads), rng.uniform(*law.share)
    return np.asarray(
        hand_course(n)[:, None] * height * np.exp(-(((np.arange(pads) - centre) / wide) ** 2)), np.float64
    )
