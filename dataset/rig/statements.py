"""What an operator states beside a simulated session, from the truth of every frame: marks where the level is
known, conditions by stretch.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dataset.records import Conditions, Coupling, Flow, Mark, Stretch, Surface, Wall
from dataset.rig.scenario import Operator, Recipe

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_FLOWS = (Flow.DRAINING, Flow.STATIC, Flow.FILLING)


@dataclass(frozen=True)
class Truth:
    """What was so at every frame: level (n,) mm, foam (n,) mm, film (n, pads) um, and whether (n,) it was
    earthed, touched, unplugged.
    """

    level_mm: Floats
    foam_mm: Floats
    film_um: Floats
    earthed: Bools
    hand: Bools
    unplugged: Bools


def stretches_of(truth: Truth, recipe: Recipe, operator: Operator) -> tuple[Stretch, ...]:
    """A stretch wherever one of the conditions changes; together they cover all frames."""
    level = truth.level_mm
    # a movement is seen a frame before and after it
    flow = (
        np.sign(np.convolve(np.diff(level, prepend=level[0]), np.ones(3), mode="same")).astype(np.int64) + 1
    )
    facts = (
        truth.foam_mm > operator.foam_seen_mm,
        truth.film_um.max(axis=1) > operator.film_seen_um,
        truth.earthed,
        truth.hand,
        truth.unplugged,
    )
    keys = np.stack([flow, *(fact.astype(np.int64) for fact in facts)], axis=1)
    edges = [0, *(np.flatnonzero((keys[1:] != keys[:-1]).any(axis=1)) + 1).tolist(), len(level)]
    stretches = []
    for a, b in pairwise(edges):
        flowing, foam, film, earthed, hand, unplugged = keys[a].tolist()
        surface = tuple(
            s for s, there in ((Surface.FOAM, foam), (Surface.SLOSHING, recipe.sloshing)) if there
        ) or (Surface.STILL,)
        wall = tuple(
            w
            for w, there in ((Wall.FILM, film), (Wall.DROPS, recipe.drops), (Wall.SCALE, recipe.scale))
            if there
        ) or (Wall.CLEAN,)
        coupling = Coupling.EARTHED if earthed else Coupling.FLOATING
        appliance = "hand at the wall" if hand else "a pad unplugged" if unplugged else ""
        stretches.append(
            Stretch(
                a,
                b,
                Conditions(
                    surface=surface, wall=wall, flow=_FLOWS[flowing], coupling=coupling, appliance=appliance
                ),
            )
        )
    return tuple(stretches)


def operator_marks(level_mm: Floats, period_ms: int, operator: Operator) -> tuple[Mark, ...]:
    """Static marks where the level stands, from some time after it came to rest; ramps where it moves evenly
    for longer than that.
    """
    settle = round(operator.settle_s * 1000 / period_ms)
    step = np.round(np.diff(level_mm), 9)
    marks: list[Mark] = []
    start = 0
    for k in range(1, len(level_mm) + 1):
        if k < len(level_mm) and (k - start < 2 or step[k - 1] == step[start]):
            continue
        moving = k - start < 2 or step[start] != 0
        first = start if moving or not start else start + settle
        if k - first > (settle if moving else 2):
            top = float(level_mm[k - 1]) if moving else None
            marks.append(
                Mark(
                    first,
                    k,
                    float(level_mm[first]),
                    operator.label_u_mm,
                    level_stop_mm=top,
                    method="virtual rig",
                )
            )
        start = k
    return tuple(marks)
