"""The one rounding rule."""

from fractions import Fraction
from math import floor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from training.program import shift_round, shift_round_int


def test_ties_round_half_up() -> None:
    """Halves go up, negative ones too: the 'half up' row that gemmlowp's fixedpoint.h (commit 16e8662) gives
    for -2.5 ... 2.5.
    """
    assert shift_round(np.array([-5, -3, -1, 1, 3, 5]), 1).tolist() == [-2, -1, 0, 1, 2, 3]


@given(st.integers(-(2**31), 2**31 - 1), st.integers(0, 30))
def test_it_is_floor_of_value_plus_half(value: int, shift: int) -> None:
    """The rule equals floor(v / 2^s + 1/2) in exact fractions, except that a shift of 0 is the identity."""
    exact = value if shift == 0 else floor(Fraction(value, 1 << shift) + Fraction(1, 2))
    assert shift_round(np.array([value], dtype=np.int64), shift)[0] == exact
    assert shift_round_int(value, shift) == exact


@pytest.mark.parametrize("shift", [-1, 31])
def test_shifts_outside_the_rule_are_refused(shift: int) -> None:
    """A shift that C could not do in int32 is refused."""
    with pytest.raises(ValueError, match=f"shift is {shift}, expected 0 to 30"):
        shift_round(np.array([1]), shift)
