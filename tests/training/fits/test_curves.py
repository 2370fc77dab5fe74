"""Curves through levels and their reduction to few knots."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from training.fits.curves import cells, reduce_to, through


def test_a_curve_goes_through_its_levels_and_rises() -> None:
    """Through clean levels the curve meets each one and never falls between them (PCHIP, Fritsch and Carlson
    1980).
    """
    x, level = np.asarray([0.0, 0.1, 0.5, 0.6, 1.0]), np.asarray([0.0, 40.0, 45.0, 80.0, 100.0])
    curve = through(cells(x, level, np.zeros(5, dtype=np.int64)))
    assert curve(x) == pytest.approx(level)
    assert (np.diff(curve(np.linspace(0, 1, 1001))) >= 0).all()


@given(st.lists(st.tuples(st.floats(0, 1), st.integers(0, 50)), min_size=2, max_size=60))
@example([(0.0, 0), (1.0, 2), (5.232320029658089e-192, 1)])
def test_any_levels_give_a_rising_finite_curve(points: list[tuple[float, int]]) -> None:
    """Whatever the noise, the curve rises and stays finite."""
    x, level = np.asarray([p[0] for p in points]), np.asarray([float(p[1]) for p in points])
    values = through(cells(x, level, np.arange(len(x)) % 3))(np.linspace(0, 1, 101))
    assert np.isfinite(values).all()
    assert (np.diff(values) >= -1e-9).all()


def test_a_settling_tail_does_not_move_its_level() -> None:
    """A quarter of a level's frames far off leave the level's position where it was: the median is what
    counts (no source).
    """
    x = np.concatenate([np.full(30, 0.2), np.full(10, 0.9), np.full(40, 1.0)])
    its = cells(x, np.repeat([0.0, 50.0], 40), np.zeros(80, dtype=np.int64))
    assert its.x.tolist() == [0.2, 1.0]


def test_a_ramp_is_condensed() -> None:
    """Thousands of distinct levels become a few hundred cells that lie on the ramp."""
    x = np.linspace(0, 1, 5000)
    its = cells(x, 100 * x, np.zeros(5000, dtype=np.int64))
    assert len(its.x) <= 240
    assert its.level == pytest.approx(100 * its.x, abs=0.02)


def test_a_polyline_is_found_exactly() -> None:
    """Reducing a polyline of three pieces to four knots gives it back, its corners to the spacing of the
    points.
    """
    corners, values = np.asarray([0.0, 0.25, 0.5, 1.0]), np.asarray([0.0, 50.0, 60.0, 100.0])
    found = reduce_to(lambda at: np.interp(at, corners, values), 4)
    assert found.knots == pytest.approx(corners, abs=0.03)
    assert found.departure < 0.5


def test_error_falls_with_the_square_of_the_knots() -> None:
    """Twice the pieces quarter the distance from a smooth curve (piecewise-linear approximation theory, de
    Boor 1978).
    """
    departures = [
        reduce_to(lambda at: 100 * np.sqrt(at + 0.05), 1 + pieces).departure for pieces in (2, 4, 8)
    ]
    assert departures[0] / departures[1] == pytest.approx(4, rel=0.3)
    assert departures[1] / departures[2] == pytest.approx(4, rel=0.4)
