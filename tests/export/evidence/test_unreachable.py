"""Ends that no input reaches are no sides, and only those."""

from __future__ import annotations

import numpy as np
import pytest

from export.evidence.decisions import Decisions
from export.evidence.streams import held
from training.program import Builder, Program

ONE = 4096


def shares_of_the_largest(
    high: int, *, floor: int = 64, numerator: str = "same", top: int = 1 << 24
) -> Program:
    """Three 12-bit channels, each as a share of the largest, clipped to ``high``."""
    b = Builder("shares", count_bits=12, channels=3, period_ms=100, span=640)
    shifted = b.node("sub", "counts", b.const(1000))
    largest = b.node("max", b.node("reduce_max", shifted), b.const(floor))
    reciprocal = b.node("divide", b.const(top), largest)
    other = b.node("add", shifted, b.const(1)) if numerator == "other" else shifted
    wet = b.node("clip", other, low=-1 if numerator == "negative" else 0, high=4095)
    ratio = b.node("shift", b.node("mul", wet, reciprocal), shift=12)
    ratio = b.node("clip", ratio, name="ratios", low=-100, high=high)
    level = b.node("clip", b.node("reduce_max", ratio), low=0, high=600)
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


def names(program: Program) -> set[str]:
    return {side.name for side in Decisions(program).sides}


@pytest.mark.parametrize(("floor", "top"), [(64, 1 << 24), (1, 1 << 19), (100, 777_777)])
def test_no_share_is_above_one(floor: int, top: int) -> None:
    """Of a hundred thousand rows none exceeds the most that is worked out, and some reach it; an end above it
    is no side, one below it is.
    """
    most = (top + 2048) >> 12
    program = shares_of_the_largest(most, floor=floor, top=top)
    assert "ratios (clip): above" not in names(program)
    lower = shares_of_the_largest(most - 1, floor=floor, top=top)
    assert "ratios (clip): above" in names(lower)
    rng = np.random.RandomState(0)
    counts = np.vstack([rng.randint(0, 4096, (100_000, 3)), 1000 + rng.randint(0, 200, (2000, 3))])
    at = Decisions(lower)
    visits = at.visits(held(np.zeros((len(counts), 0), np.int64), counts, 1)).sum(axis=0)
    reached = {side.name for side, n in zip(at.sides, visits, strict=True) if n}
    assert {f"ratios{k} (clip): above" for k in ("", "[1]", "[2]")} <= reached
    lenient = Decisions(shares_of_the_largest(most + 1, floor=floor, top=top))
    visits = lenient.visits(held(np.zeros((len(counts), 0), np.int64), counts, 1)).sum(axis=0)
    assert not [
        s.name
        for s, n in zip(lenient.sides, visits, strict=True)
        if n and s.name.endswith("above") and s.name.startswith("ratios")
    ]


@pytest.mark.parametrize("numerator", ["other", "negative"])
def test_what_does_not_hang_together_keeps_its_side(numerator: str) -> None:
    """A numerator that is not what the largest was taken of, or may be below 0, says nothing."""
    assert "ratios (clip): above" in names(shares_of_the_largest(ONE, numerator=numerator))


def mean_of_two(*, of: int = 64, most: int = 64, other: bool = False) -> Program:
    """The level of two pads, weighted by a third from 0 to ``most`` of ``of``, clipped to the span."""
    b = Builder("mean", count_bits=8, channels=3, period_ms=100, span=200)
    pads = [b.node("clip", b.node("take", "counts", indices=(k,)), low=0, high=200) for k in range(3)]
    weight = b.node("clip", pads[2], low=0, high=most)
    apart = b.node("mul", b.node("sub", pads[1], pads[2] if other else pads[0]), weight)
    moved = b.node("shift", apart, shift=of.bit_length() - 1)
    level = b.node("clip", b.node("add", pads[0], moved), name="level", low=0, high=200)
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


def test_a_mean_of_two_levels_lies_between_them() -> None:
    """Both ends are no sides where the weight is a share, and of every weight and pair none gets there."""
    assert not [name for name in names(mean_of_two()) if name.startswith("level (clip)")]
    pads = np.arange(0, 201, 5)
    counts = np.stack(np.meshgrid(pads, pads, np.arange(65)), axis=-1).reshape(-1, 3)
    plain, foam, weight = counts.T
    mean = plain + ((foam - plain) * weight + 32 >> 6)  # half up, as a shift of the program
    assert (mean >= np.minimum(plain, foam)).all()
    assert (mean <= np.maximum(plain, foam)).all()


@pytest.mark.parametrize("program", [mean_of_two(most=65), mean_of_two(other=True)])
def test_what_is_no_mean_keeps_its_sides(program: Program) -> None:
    """A weight above 1, or a difference from something else, may leave the span."""
    assert {"level (clip): below", "level (clip): above"} <= names(program)
