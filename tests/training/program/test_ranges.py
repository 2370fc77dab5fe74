"""Range analysis: what could overflow is refused, at the exact edge."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dataset.errors import ProgramError
from training.program import INT32_MAX, INT32_MIN, OPS, Builder, Interval, running_range
from training.program.ops import Attribute


def bounds(op: str, *inputs: tuple[Sequence[int], Sequence[int]], **attributes: Attribute) -> Interval:
    return OPS[op].bounds([Interval(tuple(low), tuple(high)) for low, high in inputs], attributes)


@pytest.mark.longer
@pytest.mark.parametrize(
    ("low", "weight", "longest"),
    [
        # Greatest safe length of an int32 dot product, arithmetic of the two's-complement ranges:
        # K * max|a| * max|w| <= 2^31 - 1, with the sum of (-128) * (-128) reaching exactly 2^31 at K =
        # 131072.
        (-128, -128, 131_071),
        (-128, -127, 132_104),
        (-32_768, -128, 511),
        (-32_768, -32_768, 1),
    ],
)
def test_dot_products_are_refused_one_past_the_longest_safe_length(
    low: int, weight: int, longest: int
) -> None:
    """The longest safe row passes, one element more is refused."""
    ends = ([low] * longest, [0] * longest)
    assert bounds("dense", ends, weights=((weight,) * longest,), bias=(0,)).high[0] <= INT32_MAX
    more = ([low] * (longest + 1), [0] * (longest + 1))
    with pytest.raises(ProgramError, match="dense: partial sum"):
        bounds("dense", more, weights=((weight,) * (longest + 1),), bias=(0,))


def test_the_rounding_addend_counts() -> None:
    """A value that fits int32 but not with the rounding addend on top is refused."""
    assert bounds("shift", ([0], [INT32_MAX - 8]), shift=4).high == ((INT32_MAX - 8 + 8) >> 4,)
    with pytest.raises(ProgramError, match="rounding addend"):
        bounds("shift", ([0], [INT32_MAX - 7]), shift=4)


@pytest.mark.parametrize(
    ("op", "edge"), [("add", (INT32_MAX - 1, 1)), ("sub", (INT32_MIN + 1, 1)), ("mul", (INT32_MIN // 2, 2))]
)
def test_sums_and_products_stop_at_the_edge(op: str, edge: tuple[int, int]) -> None:
    """The last value that fits passes, the next is refused."""
    a, b = edge
    bounds(op, ([a], [a]), ([b], [b]))
    with pytest.raises(ProgramError):
        bounds(op, ([a], [a]), ([b + 1], [b + 1]))


def test_a_partial_sum_that_overflows_before_it_comes_back_is_refused() -> None:
    """The total fits, but the C would overflow on the way."""
    with pytest.raises(ProgramError, match="partial sum"):
        bounds(
            "dense",
            ([40_000, 40_000, 40_000], [40_000, 40_000, 40_000]),
            weights=((40_000, 40_000, -40_000),),
            bias=(0,),
        )


def test_a_ratio_stays_a_share_where_plain_division_would_not() -> None:
    """With a small floor plain intervals would give 2^16; the fused rule gives 2^8."""
    found = bounds("ratio", ([0], [1000]), ([0], [2000]), floor=4, bits=8)
    assert (found.low, found.high) == ((0,), (256,))


def test_a_running_sum_keeps_its_declared_range() -> None:
    """The declared range of a running sum maps into itself, and one narrower by 1 does not."""
    low, high = running_range(-50, 700, 4)
    found = bounds("running", ([-50], [700]), ([low], [high]), shift=4)
    assert low <= found.low[0]
    assert found.high[0] <= high
    cut = bounds("running", ([-50], [700]), ([low], [high - 8]), shift=4)
    assert cut.high[0] > high - 8 - 1


def test_a_running_sum_rounds_as_every_shift_does() -> None:
    """100 less 100 / 8 rounded half up (13, not 12) plus 7, worked by hand."""
    assert OPS["running"].evaluate([np.array([[7]]), np.array([[100]])], {"shift": 3}).tolist() == [[94]]


def test_a_running_mean_without_extra_bits_would_stick() -> None:
    """The sum with extra bits reaches a new steady input exactly; a mean at the input's own resolution stops
    short of it.
    """
    acc, mean = np.array([[0]]), 0
    for _ in range(200):
        acc = OPS["running"].evaluate([np.array([[100]]), acc], {"shift": 4})
        mean += (100 - mean) >> 4
    assert (int(acc[0, 0]) + 8) >> 4 == 100
    assert mean < 100


def test_a_state_that_could_leave_its_range_is_refused() -> None:
    """A counter without a ceiling has no invariant range."""
    b = Builder("counter", 8, 1, 100, 640)
    count = b.state("count", (0,), (0,), (9,))
    b.renew("count", b.node("add", count, b.const(1)))
    with pytest.raises(ProgramError, match=r"state 'count'\[0\]: can become \[1, 10\]"):
        b.finish(low=b.const(0), level=b.const(0), high=b.const(640), validity=b.const(1), flags=b.const(0))


def test_division_needs_proof_that_the_divisor_is_positive() -> None:
    """A divisor that could be 0 is refused, with the node named."""
    b = Builder("division", 8, 1, 100, 640)
    with pytest.raises(ProgramError, match=r"node 'share' .*a denominator down to 0"):
        b.node("divide", b.const(100), "counts", name="share")


@pytest.mark.parametrize(
    ("attributes", "message"),
    [
        ({"child": (1, 2, 2), "threshold": (5, 9, 9)}, "child 2"),
        ({"child": (1, 1, 2), "threshold": (5, 3, 9)}, "leaf 1 can be left"),
    ],
)
def test_malformed_trees_are_refused(attributes: dict[str, Any], message: str) -> None:
    """A child without its sibling, or a leaf that an input could walk out of, is refused."""
    b = Builder("tree", 3, 1, 100, 640)
    with pytest.raises(ProgramError, match=message):
        b.node("trees", "counts", roots=(0,), feature=(0, 0, 0), value=(0, 1, 2), depth=1, **attributes)


@settings(max_examples=60)
@given(st.data())
def test_intervals_hold_for_random_inputs(data: st.DataObject) -> None:
    """Whatever lies inside the input intervals comes out inside the result's interval, for every elementwise
    operation.
    """
    op = data.draw(
        st.sampled_from(
            ["add", "sub", "mul", "max", "greater", "abs", "clip", "shift", "lookup", "hinge", "ratio"]
        )
    )
    small = st.integers(-500, 500)
    arity = OPS[op].arity
    assert arity is not None
    pairs = [sorted((data.draw(small), data.draw(small))) for _ in range(arity)]
    kinds: dict[str, dict[str, Attribute]] = {
        "clip": {"low": -20, "high": 90},
        "shift": {"shift": data.draw(st.integers(0, 6))},
        "lookup": {"table": (5, -3, 8)},
        "hinge": {"knots": (-400, -10, 7, 300), "values": (0, 900, -50), "slopes": (3, -70, 11), "shift": 3},
        "ratio": {"floor": 3, "bits": 5},
    }
    attributes = kinds.get(op, {})
    found = bounds(op, *[([low], [high]) for low, high in pairs], **attributes)
    values = [np.array([[data.draw(st.integers(low, high))]], dtype=np.int64) for low, high in pairs]
    result = int(OPS[op].evaluate(values, attributes)[0, 0])
    assert found.low[0] <= result <= found.high[0]


def test_an_interval_holds_its_ends_and_nothing_beyond() -> None:
    """Each value held against both bounds by itself, up to the ends of int64; one outside is enough."""
    ends = (INT32_MIN, INT32_MIN + 1, -1, 0, 1, INT32_MAX - 1, INT32_MAX)
    far = np.iinfo(np.int64)
    values = sorted({far.min, far.max, *(end + off for end in ends for off in (-1, 0, 1))})
    for low in ends:
        for high in (end for end in ends if end >= low):
            interval = Interval((low,), (high,))
            for value in values:
                assert interval.holds(np.array([[value]])) == (low <= value <= high), (low, value, high)
    two = Interval((0, -5), (10, 5))
    assert two.holds(np.array([[0, -5], [10, 5]]))
    assert not two.holds(np.array([[0, -5], [5, 10]]))
    assert two.holds(np.zeros((0, 2), np.int64))
