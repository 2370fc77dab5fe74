"""The axis that several channels are projected to."""

from __future__ import annotations

import numpy as np
import pytest

from training.fits.axis import level_axis
from training.fits.least_squares import linear
from training.rows import Rows


def test_a_known_direction_is_found_through_a_bent_curve() -> None:
    """Levels made as a strongly bent function of w . x give w back to 2 %, nearer than the straight line's
    direction.
    """
    draw = np.random.default_rng(4)
    features = draw.random((400, 3))
    true = np.asarray([0.6, 0.3, 0.1])
    level = 100.0 / (1.0 + np.exp(-15.0 * (features @ true - 0.35)))
    rows = Rows(np.zeros((400, 3), dtype=np.int64), level, np.zeros(400, dtype=np.int64))
    weights, bias = level_axis(features, rows)
    straight = linear(np.hstack([features, np.ones((400, 1))]), level)[:-1]
    off = [
        float(np.linalg.norm(w / np.linalg.norm(w) - true / np.linalg.norm(true)))
        for w in (weights, straight)
    ]
    assert off[0] < min(0.02, off[1])
    along = features @ weights + bias
    assert (along.min(), along.max()) == pytest.approx((0.0, 1.0))


def test_one_channel_is_its_own_axis() -> None:
    """With one channel nothing is fitted: the feature itself is the axis."""
    weights, bias = level_axis(
        np.asarray([[0.2], [0.7]]),
        Rows(np.zeros((2, 1), dtype=np.int64), np.asarray([0.0, 9.0]), np.zeros(2, dtype=np.int64)),
    )
    assert (weights.tolist(), bias) == ([1.0], 0.0)
