"""Monotone curves from one axis to the level, and their reduction to few straight pieces."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from sklearn.isotonic import isotonic_regression

from training.fits.least_squares import linear
from training.rows import Floats, Ints

Curve = Callable[[Floats], Floats]

MOST_CELLS = 240
_MOST_LEVELS = 32  # levels that a curve is led through
_APART = (
    1e-12  # positions nearer than this are one: far below a feature's step, far above what slopes overflow at
)
_FINE = 96  # points that stand for a curve when it is reduced


@dataclass(frozen=True)
class Cells:
    """Frames of one group at one level, condensed: median position on the axis, level and group, each of
    shape (n,).
    """

    x: Floats
    level: Floats
    group: Ints


@dataclass(frozen=True)
class Polyline:
    """Positions and levels, each of shape (knots,), and the root mean square distance from the curve it
    stands for, in level.
    """

    knots: Floats
    values: Floats
    departure: float


def cells(x: Floats, level: Floats, group: Ints) -> Cells:
    """Condense frames by group and level; the median shrugs off the settling tail at the start of a step.

    Where levels are many (a ramp), neighbouring ones of a group are put together, so that at most about
    ``MOST_CELLS`` cells remain.
    """
    share = max(MOST_CELLS // len(np.unique(group)), 8)
    cells: list[tuple[float, float, int]] = []
    for g in np.unique(group):
        mine = np.flatnonzero(group == g)
        levels, label = np.unique(level[mine], return_inverse=True)
        bins = label if len(levels) <= share else label * share // len(levels)
        for b in np.unique(bins):
            at = mine[bins == b]
            cells.append((float(np.median(x[at])), float(level[at].mean()), int(g)))
    return Cells(
        np.asarray([f[0] for f in cells]),
        np.asarray([f[1] for f in cells]),
        np.asarray([f[2] for f in cells], dtype=np.int64),
    )


def through(cells: Cells) -> Curve:
    """A monotone smooth curve (PCHIP, Fritsch and Carlson 1980) through the mean position of each level.

    Positions that fall where they should rise are pooled first (isotonic regression). Beyond the outer levels
    the curve goes on straight.
    """
    levels, label = np.unique(cells.level, return_inverse=True)
    if len(levels) > _MOST_LEVELS:
        label = label * _MOST_LEVELS // len(levels)
    _, label = np.unique(label, return_inverse=True)
    count = np.bincount(label)
    x = np.asarray(
        isotonic_regression(np.bincount(label, cells.x) / count, sample_weight=count), dtype=np.float64
    )
    y = np.bincount(label, cells.level) / count
    place = np.concatenate([[0], np.cumsum(np.diff(x) > _APART)])
    x = x[np.unique(place, return_index=True)[1]]
    y = np.bincount(place, y) / np.bincount(place)
    if len(x) < 2:
        return _constant(float(y.mean()))
    inner = PchipInterpolator(x, y)
    slopes = inner.derivative()(x[[0, -1]])
    return lambda at: (
        inner(np.clip(at, x[0], x[-1]))
        + slopes[0] * np.minimum(at - x[0], 0)
        + slopes[1] * np.maximum(at - x[-1], 0)
    )


def reduce_to(curve: Curve, knots: int) -> Polyline:
    """The ``knots``-point polyline nearest to ``curve`` on [0, 1].

    'Nearest' in the sum of squares over points evenly spaced in level, so that each millimetre of tank counts
    the same. Positions by dynamic programming over those points, levels by least squares.
    """
    x = _even_in_level(curve)
    y = curve(x)
    chosen = _best_knots(x, y, min(knots, len(x)))
    at = x[chosen]
    design = np.stack([np.interp(x, at, row) for row in np.eye(len(at))], axis=1)
    values = np.maximum.accumulate(linear(design, y))
    return Polyline(at, values, float(np.sqrt(np.mean((design @ values - y) ** 2))))


def _constant(level: float) -> Curve:
    return lambda at: np.full(len(at), level)


def _even_in_level(curve: Curve) -> Floats:
    dense = np.linspace(0.0, 1.0, 4097)
    levels = np.maximum.accumulate(curve(dense))
    if levels[-1] <= levels[0]:
        return np.asarray([0.0, 1.0])
    rising = np.concatenate([[True], np.diff(levels) > 0])
    inner = np.interp(np.linspace(levels[0], levels[-1], _FINE), levels[rising], dense[rising])
    return np.unique(np.concatenate([[0.0], inner, [1.0]]))


def _best_knots(x: Floats, y: Floats, knots: int) -> Ints:
    """Indices of the polyline through points of the curve with the least sum of squares, both
    ends included.
    """
    n = len(x)
    cost = _chord_costs(x, y)
    best = cost[0].copy()  # best[j]: least cost of a polyline from 0 to j
    came_from = []
    for _ in range(knots - 2):
        total = best[:, None] + cost
        came_from.append(total.argmin(axis=0))
        best = total.min(axis=0)
    path = [n - 1]
    for previous in reversed(came_from):
        path.append(int(previous[path[-1]]))
    return np.unique(np.asarray([0, *path], dtype=np.int64))


def _chord_costs(x: Floats, y: Floats) -> Floats:
    """cost[i, j]: sum of squares between the points i..j and the chord from i to j; 0 on the diagonal,
    infinite below.

    From running sums: sum (Y - s X)^2 = sum Y^2 - 2 s sum X Y + s^2 sum X^2, with X, Y counted from point i
    and s the chord's slope.
    """
    step, rise = x[None, :] - x[:, None], y[None, :] - y[:, None]
    slope = rise / np.where(step == 0, 1.0, step)
    count = np.arange(1, len(x) + 1)[None, :] - np.arange(len(x))[:, None]

    def moment(a: Floats, b: Floats) -> Floats:
        """Sum over the points i..j of (a - a_i) * (b - b_i)."""
        first, second, both = (np.concatenate([[0.0], np.cumsum(v)]) for v in (a, b, a * b))
        sums = [s[None, 1:] - s[:-1, None] for s in (first, second, both)]
        return np.asarray(
            sums[2] - a[:, None] * sums[1] - b[:, None] * sums[0] + count * (a * b)[:, None], dtype=np.float64
        )

    cost = np.maximum(moment(y, y) - 2 * slope * moment(x, y) + slope**2 * moment(x, x), 0.0)
    return np.asarray(np.where(count > 1, cost, np.where(count == 1, 0.0, np.inf)), dtype=np.float64)
