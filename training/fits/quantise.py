"""From float weights to integers: the largest scale that the weight width and 32-bit sums allow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dataset.errors import ProgramError
from training.program import INT32_MAX, Interval
from training.rows import Floats, Ints

MAX_WEIGHT_SHIFT = 24


@dataclass(frozen=True)
class DenseInts:
    """``(weights @ x + bias)`` shifted right by ``shift`` is the float layer; weights (outputs, inputs), bias
    (outputs,).
    """

    weights: tuple[tuple[int, ...], ...]
    bias: tuple[int, ...]
    shift: int


@dataclass(frozen=True)
class HingeInts:
    """The tables of a hinge: knots (n,), values and slopes (n - 1,)."""

    knots: tuple[int, ...]
    values: tuple[int, ...]
    slopes: tuple[int, ...]
    shift: int


def weight_limit(bits: int) -> int:
    """The largest weight of ``bits`` bits, kept symmetric: 127 or 32767."""
    return int((1 << (bits - 1)) - 1)


def dense_ints(weights: Floats, bias: Floats, x: Interval, bits: int) -> DenseInts:
    """Quantise a layer whose float ``weights`` turn a step of integer input x into steps of output.

    The shift is the largest for which each weight fits ``bits`` bits and no sum, rounding addend included,
    can leave 32 bits for x in its interval. ProgramError when even shift 0 does not fit.
    """
    reach = np.maximum(np.abs(x.low), np.abs(x.high)).astype(np.float64)
    for shift in range(MAX_WEIGHT_SHIFT, -1, -1):
        whole, offset = np.rint(np.ldexp(weights, shift)), np.rint(np.ldexp(bias, shift))
        sums = np.abs(whole) @ reach + np.abs(offset) + (1 << shift) / 2
        if np.abs(whole).max() <= weight_limit(bits) and sums.max() <= INT32_MAX:
            return DenseInts(tuple(_whole(row) for row in whole), _whole(offset), shift)
    raise ProgramError(
        "weights", f"up to {np.abs(weights).max():.3g} steps a step of input", f"at most {weight_limit(bits)}"
    )


def hinge_ints(knots: Floats, values: Floats, bits: int) -> HingeInts:
    """Quantise a polyline given in steps of input and output; knots that round to the same step
    are merged.
    """
    at, first = np.unique(np.rint(knots).astype(np.int64), return_index=True)
    if len(at) < 2:
        raise ProgramError("knots", "all at one step of the input", "a range of inputs")
    level = values[first]
    width = np.diff(at)
    slope = np.diff(level) / width
    for shift in range(MAX_WEIGHT_SHIFT, -1, -1):
        whole = np.rint(np.ldexp(slope, shift))
        if (
            np.abs(whole).max() <= weight_limit(bits)
            and (np.abs(whole) * width).max() + (1 << shift) / 2 <= INT32_MAX
        ):
            return HingeInts(_whole(at), _whole(np.rint(level[:-1])), _whole(whole), shift)
    raise ProgramError(
        "slopes", f"up to {np.abs(slope).max():.3g} steps a step of input", f"at most {weight_limit(bits)}"
    )


def _whole(values: Floats | Ints) -> tuple[int, ...]:
    return tuple(int(v) for v in values)
