"""Quantising: bounds that follow from the arithmetic, whatever the weights."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dataset.errors import ProgramError
from training.fits.quantise import dense_ints, hinge_ints, weight_limit
from training.program import INT32_MAX, Builder, Interval, run

TOP = 1 << 14
weight = st.floats(-0.45, 0.45, allow_nan=False)


@pytest.mark.longer
@given(st.lists(weight, min_size=1, max_size=16), st.floats(-3000, 3000))
def test_more_bits_never_raise_the_bound(weights: list[float], bias: float) -> None:
    """For any layer the integer sum differs from the float one by at most half a weight step times the
    inputs, plus rounding.

    That bound (from the rounding rule) halves or stays with every bit, and is met for inputs at random and at
    the corners.
    """
    x = Interval((0,) * len(weights), (TOP,) * len(weights))
    draw = np.random.default_rng(0).integers(0, TOP + 1, (50, len(weights)))
    inputs = np.vstack([draw, np.full(len(weights), TOP), np.zeros(len(weights), dtype=np.int64)])
    exact = inputs @ np.asarray(weights) + bias
    bounds = []
    for bits in range(4, 17):
        its = dense_ints(np.asarray([weights]), np.asarray([bias]), x, bits)
        found = ((inputs @ np.asarray(its.weights[0]) + its.bias[0]) + ((1 << its.shift) >> 1)) >> its.shift
        step = 2.0**-its.shift
        assert np.abs(found - exact).max() <= step / 2 * (inputs.sum(axis=1).max() + 1) + 0.5
        bounds.append(step)
    assert all(a >= b for a, b in pairwise(bounds))


def test_the_largest_scale_is_taken() -> None:
    """One bit more of scale would break the weight width: 0.3 becomes 77/256 in 8 bits, 19661/65536 in 16 (by
    hand).
    """
    x = Interval((0,), (100,))
    narrow, wide = (dense_ints(np.asarray([[0.3]]), np.zeros(1), x, bits) for bits in (8, 16))
    assert (narrow.weights, narrow.shift) == (((77,),), 8)
    assert (wide.weights, wide.shift) == (((19661,),), 16)


def test_sums_bound_the_scale() -> None:
    """With sixteen wide inputs 32-bit sums, not the weight width, set the scale, and the builder
    proves them.
    """
    its = dense_ints(np.full((1, 16), 0.9), np.zeros(1), Interval((0,) * 16, (1 << 20,) * 16), 16)
    assert max(its.weights[0]) < weight_limit(16) // 4
    assert INT32_MAX // 4 < sum(its.weights[0]) * (1 << 20) <= INT32_MAX


def test_weights_too_large_are_refused() -> None:
    """A weight above the width at no scale at all is an error, not a saturated weight."""
    with pytest.raises(ProgramError, match="at most 127"):
        dense_ints(np.asarray([[200.0]]), np.zeros(1), Interval((0,), (10,)), 8)


@pytest.mark.parametrize("bits", [8, 16])
def test_a_hinge_stays_near_its_polyline_and_saturates_at_its_ends_only(bits: int) -> None:
    """Over the whole input the integer table stays within its bound of the polyline, and is level only
    outside the knots.
    """
    knots, values = np.asarray([1000.0, 1500.0, 4000.0, 16000.0]), np.asarray([0.0, 2000.0, 4100.0, 6400.0])
    its = hinge_ints(knots, values, bits)
    builder = Builder("hinge", 14, 1, 100, 1 << 20)
    level = builder.node(
        "hinge", "counts", knots=its.knots, values=its.values, slopes=its.slopes, shift=its.shift
    )
    zero = builder.const(0)
    program = builder.finish(low=zero, level=level, high=zero, validity=zero, flags=zero)
    x = np.arange(1 << 14, dtype=np.int64)
    found = run(program, x[:, None]).level
    widest = max(b - a for a, b in pairwise(its.knots))
    assert np.abs(found - np.interp(x, knots, values)).max() <= 1 + widest * 2.0 ** -(its.shift + 1)
    inside = (x >= 1000) & (x <= 16000)
    assert (found[x <= 1000] == found[1000]).all()
    assert (found[x >= 16000] == found[16000]).all()
    assert found[inside].max() == found[16000]
    assert (found[inside][1000::500] > found[inside][500:-500:500]).all()


def test_knots_that_fall_together_are_merged() -> None:
    """Two knots at one input step become one, and a table without any width is refused."""
    assert len(hinge_ints(np.asarray([0.0, 0.2, 8.0]), np.asarray([0.0, 0.1, 9.0]), 8).knots) == 2
    with pytest.raises(ProgramError, match="knots"):
        hinge_ints(np.asarray([0.0, 0.2]), np.asarray([0.0, 5.0]), 8)
