"""Medians by counting are those of numpy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dataset.admission.medians import FEWEST, median, medians


@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from([1, 2, 7, 8, 9, FEWEST - 1, FEWEST, FEWEST + 1, 500]),
    st.integers(1, 4),
    st.sampled_from([1, 2, 40, 5000, 2**31 - 1]),
    st.sampled_from([np.int32, np.int64, np.uint32]),
)
def test_medians_are_those_of_numpy(seed: int, n: int, rows: int, apart: int, kind: type) -> None:
    """Odd and even rows, short and long, of few values and of values far apart, whatever the type."""
    rng = np.random.default_rng(seed)
    low = 0 if kind is np.uint32 else -apart // 2
    values: np.ndarray = rng.integers(low, low + apart, (rows, 3, n)).astype(kind)
    np.testing.assert_array_equal(medians(values), np.median(values, axis=-1))


@pytest.mark.parametrize("n", [FEWEST, FEWEST + 1])
def test_the_middle_two_that_differ(n: int) -> None:
    """Of an even number the mean of the middle two."""
    values = np.arange(n)[::-1]
    assert median(values) == (n - 1) / 2


@pytest.mark.parametrize("ends", [(-(2**62), 2**62), (2**62, 2**62 + 3)])
def test_whole_numbers_that_no_histogram_holds(ends: tuple[int, int]) -> None:
    """Numbers whose span does not fit, and those that a double does not tell apart, as numpy has them."""
    values = np.resize(np.array(ends), 100)
    assert median(values) == np.median(values)
