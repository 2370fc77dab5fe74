"""Counts to features: the integers against the formula of the count law, and the trained range."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dataset.records import CountLaw
from training.models.conditioning import (
    FEATURE_MAX,
    Conditioning,
    conditioning,
    emit_conditioning,
    trained_range,
)
from training.program import Builder, Program, run
from training.rows import Rows


def _features_program(its: Conditioning, bits: int, channel: int = 0) -> Program:
    """A program whose level is the feature of one channel and whose flags hold the out-of-range mark."""
    builder = Builder("features", bits, its.channels, 100, 1 << 24)
    given_ = emit_conditioning(builder, its)
    level = builder.node("take", given_.features, indices=(channel,))
    zero = builder.const(0)
    return builder.finish(low=zero, level=level, high=zero, validity=zero, flags=given_.out_of_range)


def test_falling_counts_become_a_straight_line_in_capacitance() -> None:
    """For every 16-bit count the feature is within 2 of the affine image of 1/count that maps the range to
    0..2**14 (the law itself).
    """
    low, high = 12_000, 51_000
    counts = np.arange(0, 65_536, dtype=np.int64)
    feature = run(_features_program(conditioning(CountLaw.FALLS, (low,), (high,)), 16), counts[:, None]).level
    clipped = np.clip(counts, low, high)
    exact = (1 / clipped - 1 / high) / (1 / low - 1 / high) * FEATURE_MAX
    factor = feature.max() / FEATURE_MAX  # the factor is a whole number, so that the top may stop short
    assert factor > 0.999
    assert np.abs(feature - exact * factor).max() < 2
    assert (np.diff(feature) <= 0).all()


def test_small_swing_keeps_its_digits() -> None:
    """A falling sensor that moves by 2 % only still tells every count apart: dividing after the difference
    loses nothing.
    """
    counts = np.arange(59_000, 60_001, dtype=np.int64)
    feature = run(
        _features_program(conditioning(CountLaw.FALLS, (59_000,), (60_000,)), 16), counts[:, None]
    ).level
    assert (np.diff(feature) < 0).all()


@pytest.mark.longer
@given(st.sampled_from(CountLaw), st.integers(8, 24), st.data())
def test_integers_follow_the_float_transformer(law: CountLaw, bits: int, data: st.DataObject) -> None:
    """For any range inside any count width the integer feature stays within 2 steps (or the preshift's share)
    of the float one.
    """
    top = (1 << bits) - 1
    low = data.draw(st.integers(max(top // 20, 1), top - 2))
    high = data.draw(st.integers(low + 1, top))
    its = conditioning(law, (low, low), (high, high))
    counts = np.asarray([[data.draw(st.integers(0, top)), low] for _ in range(8)], dtype=np.int64)
    feature = run(_features_program(its, bits), counts).level
    exact = its.floats(counts)[:, 0] * FEATURE_MAX
    assert np.abs(feature - exact).max() <= 2 + FEATURE_MAX * 2.0**-15


@pytest.mark.parametrize("channels", [1, 3])
def test_out_of_range_is_any_count_outside(channels: int) -> None:
    """The mark is set exactly when a count lies outside its channel's range, whichever channel it is."""
    low, high = tuple(range(100, 100 + channels)), tuple(range(200, 200 + channels))
    program = _features_program(conditioning(CountLaw.RISES, low, high), 12, channels - 1)
    middle = [150] * channels
    rows = [
        middle,
        [*middle[:-1], low[-1]],
        [*middle[:-1], low[-1] - 1],
        [*middle[:-1], high[-1]],
        [*middle[:-1], high[-1] + 1],
    ]
    assert run(program, np.asarray(rows, dtype=np.int64)).flags.tolist() == [0, 0, 1, 0, 1]


def test_trained_range_is_widened_by_the_noise_of_the_end_levels() -> None:
    """Three standard deviations of the end level on that side are added, estimated by 1.4826 x MAD (Rousseeuw
    and Croux 1993).
    """
    draw = np.random.default_rng(2)
    level = np.repeat([0.0, 50.0, 100.0], 4000)
    noise = np.repeat([20.0, 500.0, 5.0], 4000)
    count = np.rint(30_000 - 200 * level + noise * draw.standard_normal(len(level))).astype(np.int64)
    rows = Rows(count[:, None], level, np.zeros(len(level), dtype=np.int64))
    (low,), (high,) = trained_range(rows, 65_535)
    assert count.min() - low == pytest.approx(3 * 5.0, abs=2)
    assert high - count.max() == pytest.approx(3 * 20.0, abs=4)


def test_trained_range_keeps_to_the_counter() -> None:
    """The range never goes below 1, which a reciprocal needs, nor above the counter's width."""
    rows = Rows(
        np.asarray([[0], [9], [245], [255]], dtype=np.int64),
        np.asarray([0.0, 0.0, 9.0, 9.0]),
        np.zeros(4, dtype=np.int64),
    )
    assert trained_range(rows, 255) == ((1,), (255,))
