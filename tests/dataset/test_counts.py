"""Counts with decimals: kept as whole steps, refused between two, and the scale that would do."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest

from dataset.counts import count_text, scale_for, steps_given, whole_steps
from dataset.errors import InputError

TOP = (1 << 24) - 1


def test_every_decimal_is_its_steps() -> None:
    """Each value with two decimals up to 24 bits of hundredths, as text, is the steps that decimal arithmetic
    gives (Python's decimal module).
    """
    steps = np.unique(np.random.default_rng(1).integers(0, TOP + 1, 20_000))
    texts = [f"{Decimal(int(step)) / 100:.2f}" for step in steps]
    found, whole = whole_steps(np.asarray(texts, np.float64), 100)
    assert whole.all()
    np.testing.assert_array_equal(found, steps)
    assert [count_text(step, 100) for step in steps[:5]] == [
        f"{Decimal(text).normalize():f}" for text in texts[:5]
    ]


def test_single_precision_is_read_as_what_was_meant() -> None:
    """22.82 in single precision (IEEE 754) is 22.81999969...: it is 2282 steps of 1/100, not of 1/1."""
    meant = np.asarray([22.82, 94.14, 1000.01])
    single = meant.astype(np.float32).astype(np.float64)
    assert (single != meant).any()
    found, whole = whole_steps(single, 100)
    assert whole.all()
    np.testing.assert_array_equal(found, [2282, 9414, 100_001])
    assert not whole_steps(single, 1)[1].any()
    assert not whole_steps(np.asarray([22.825], np.float32).astype(np.float64), 100)[1].any()


@pytest.mark.parametrize(
    ("values", "scale"),
    [
        ([1.0, 2.0], 1),
        ([1.5, 2.25], 100),
        ([22.8, 7.0], 10),
        ([0.125, 3.375], 8),  # means of eight
        ([0.0625], 16),
        ([9.281, 0.5], 1000),
        ([2.16844], None),  # five decimals
        ([1 / 3], None),
        ([200_000.01], None),  # beyond 24 bits in hundredths
    ],
)
def test_the_scale_that_would_do(values: list[float], scale: int | None) -> None:
    """The least power of ten with which all are whole; from three decimals on, of two where one does."""
    assert scale_for(np.asarray(values), TOP) == scale


def test_counts_that_somebody_writes() -> None:
    """They are steps of the sensor, or refused with the first that is none."""
    assert steps_given("counts", [22.82, 7], 100) == (2282, 700)
    assert steps_given("counts", [], 1) == ()
    with pytest.raises(InputError, match=r"counts: 22.825; expected steps of 1/100, the sensor's"):
        steps_given("counts", [7, 22.825], 100)
    with pytest.raises(InputError, match=r"counts: 7.5; expected whole numbers"):
        steps_given("counts", [7.5], 1)
