"""The one axis that several channels are projected to before a hinge table."""

from __future__ import annotations

import numpy as np

from training.fits.least_squares import linear, nonlinear
from training.rows import Floats, Rows

_KNOTS = 8
_BEND = 1e-3
_MOST_FRAMES = 600
_EVALUATIONS = 30  # of the curve's residuals, each with one Jacobian


def level_axis(features: Floats, rows: Rows) -> tuple[Floats, float]:
    """Weights (channels,) and bias of the axis along which the level is best told; the fit frames lie in 0..1
    of it.

    One channel is its own axis. With several, the straight least-squares direction is the start; then
    direction and a polyline along it are fitted together (a single-index model; the polyline's values are
    eliminated at each step, as in variable projection, Golub and Pereyra 1973).
    """
    if features.shape[1] == 1:
        return np.ones(1), 0.0
    weights = rows.weights
    start = linear(np.hstack([features, np.ones((len(features), 1))]), rows.level_mm, weights)[:-1]
    few = np.linspace(0, len(features) - 1, min(len(features), _MOST_FRAMES)).round().astype(np.int64)
    bend = np.diff(np.eye(_KNOTS), 2, axis=0) * np.sqrt(_BEND * len(few))

    def residuals(direction: Floats) -> Floats:
        design = _hats(_scaled(features[few] @ direction))
        values = linear(design, rows.level_mm[few], weights[few], bend)
        return np.concatenate([np.sqrt(weights[few]) * (design @ values - rows.level_mm[few]), bend @ values])

    direction = nonlinear(residuals, start, _EVALUATIONS)
    along = features @ direction
    low, high = float(along.min()), float(along.max())
    width = high - low if high > low else 1.0
    return direction / width, -low / width


def _scaled(along: Floats) -> Floats:
    low, high = along.min(), along.max()
    return np.asarray((along - low) / (high - low if high > low else 1.0), dtype=np.float64)


def _hats(position: Floats) -> Floats:
    return np.asarray(
        np.maximum(1.0 - np.abs(position[:, None] * (_KNOTS - 1) - np.arange(_KNOTS)), 0.0), dtype=np.float64
    )
