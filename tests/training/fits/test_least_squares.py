"""The least squares against certified fits of the NIST/ITL Statistical Reference Datasets (see
tests/data/nist_strd/SOURCE.txt).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from training.fits.least_squares import linear, nonlinear

NIST = Path(__file__).parents[2] / "data" / "nist_strd"


def test_linear_meets_the_certified_quadratic() -> None:
    """The quadratic of Pontius (loads up to 3e6, squares up to 9e12) comes out to nine digits."""
    y, x = np.loadtxt(NIST / "pontius.dat", skiprows=1).T
    found = linear(np.stack([np.ones_like(x), x, x**2], axis=1), y)
    assert found == pytest.approx(
        [6.735657894736842e-04, 7.320591604010025e-07, -3.1608187134502924e-15], rel=1e-9
    )


@pytest.mark.parametrize("start", [(0.1, 0.01, 0.02), (0.15, 0.008, 0.010)])
def test_nonlinear_meets_the_certified_exponential(start: tuple[float, ...]) -> None:
    """Chwirut1 comes out to six digits from both of the published starts, with the certified sum
    of squares.
    """
    y, x = np.loadtxt(NIST / "Chwirut1.dat", skiprows=60).T

    def residuals(b: np.ndarray) -> np.ndarray:
        return np.asarray(y - np.exp(-b[0] * x) / (b[1] + b[2] * x))

    found = nonlinear(residuals, np.asarray(start))
    assert found == pytest.approx([1.9027818370e-01, 6.1314004477e-03, 1.0530908399e-02], rel=1e-6)
    assert np.sum(residuals(found) ** 2) == pytest.approx(2.3844771393e03, rel=1e-9)


def test_weights_count_rows() -> None:
    """A row of weight 3 acts as three rows (the meaning of a weight; no source)."""
    design, target = np.asarray([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]]), np.asarray([0.0, 2.0, 3.0])
    thrice = linear(
        np.vstack([design, design[:1], design[:1]]), np.concatenate([target, target[:1], target[:1]])
    )
    assert linear(design, target, np.asarray([3.0, 1.0, 1.0])) == pytest.approx(thrice)


@given(st.floats(0.01, 100.0))
def test_a_penalty_is_ridge(strength: float) -> None:
    """With the identity as penalty the result is the closed form of ridge regression (Hoerl and Kennard
    1970).
    """
    draw = np.random.default_rng(0)
    design, target = draw.standard_normal((20, 3)), draw.standard_normal(20)
    closed = np.linalg.solve(design.T @ design + strength * np.eye(3), design.T @ target)
    assert linear(design, target, penalty=np.sqrt(strength) * np.eye(3)) == pytest.approx(closed, rel=1e-9)
