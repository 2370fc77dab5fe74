"""The operations a program is made of: one class each, with its shape, arithmetic and range rule.

Every value is a vector of integers, shape (n,) for one frame and (batch, n) in the interpreter; an
input of size 1 is broadcast. Each operation answers four questions and holds nothing else:
which attributes it takes, how long its result is, what it computes, and which interval each result
element can lie in. Everything must fit a 32-bit signed integer, intermediates included, because
that is what the C computes in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from dataset.errors import ProgramError
from training.program.rounding import MAX_SHIFT, shift_round, shift_round_int

INT32_MIN, INT32_MAX = -(2**31), 2**31 - 1

Ints = tuple[int, ...]
Attribute = int | Ints | tuple[Ints, ...]
Attributes = Mapping[str, Attribute]
Array = NDArray[np.int64]


@dataclass(frozen=True)
class Interval:
    """Closed bounds per element: ``low[i] <= value[i] <= high[i]``."""

    low: Ints
    high: Ints

    @property
    def size(self) -> int:
        return len(self.low)

    def at(self, index: int) -> tuple[int, int]:
        """Bounds of element ``index``, or of the only element when broadcast."""
        return (self.low[0], self.high[0]) if self.size == 1 else (self.low[index], self.high[index])

    @cached_property
    def _low_and_reach(self) -> tuple[Array, NDArray[np.uint64]]:
        low, high = np.asarray(self.low, np.int64), np.asarray(self.high, np.int64)
        return low, (high - low).view(np.uint64)

    def holds(self, values: Array) -> bool:
        """Whether all ``values`` (rows, size) are inside."""
        low, reach = self._low_and_reach
        # one comparison for both bounds: what is below wraps round to above
        above = np.subtract(values, low, dtype=np.int64).view(np.uint64)
        return not np.count_nonzero(above > reach)


def scalar(attributes: Attributes, name: str) -> int:
    """The integer attribute ``name``; ProgramError when it is missing or of another kind."""
    value = attributes.get(name)
    if not isinstance(value, int):
        raise ProgramError(f"attribute '{name}'", f"{value!r}", "an integer")
    return value


def vector(attributes: Attributes, name: str) -> Ints:
    """The attribute ``name``, a row of integers."""
    value = attributes.get(name)
    if not isinstance(value, tuple) or any(not isinstance(v, int) for v in value):
        raise ProgramError(f"attribute '{name}'", "not a row of integers", "a row of integers")
    return tuple(v for v in value if isinstance(v, int))


def matrix(attributes: Attributes, name: str) -> tuple[Ints, ...]:
    """The attribute ``name``, equally long rows of integers."""
    value = attributes.get(name)
    if not isinstance(value, tuple) or not value or any(not isinstance(row, tuple) for row in value):
        raise ProgramError(f"attribute '{name}'", "not rows of integers", "rows of integers")
    rows = tuple(row for row in value if isinstance(row, tuple))
    if len({len(row) for row in rows}) != 1:
        raise ProgramError(f"attribute '{name}'", "rows of different lengths", "equally long rows")
    return rows


def fits(low: int, high: int, what: str) -> None:
    """Raise ProgramError unless [low, high] lies inside int32."""
    if low < INT32_MIN or high > INT32_MAX:
        raise ProgramError(what, f"can reach [{low}, {high}]", f"values inside [{INT32_MIN}, {INT32_MAX}]")


def interval(bounds: Sequence[tuple[int, int]], what: str) -> Interval:
    """An interval from per-element (low, high) pairs, checked against int32."""
    for low, high in bounds:
        fits(low, high, what)
    return Interval(tuple(low for low, _ in bounds), tuple(high for _, high in bounds))


def require(condition: bool, what: str, given: str, expected: str) -> None:
    if not condition:
        raise ProgramError(what, given, expected)


class Op:
    """What the interpreter, the range analysis and the exporters need of an operation."""

    name: ClassVar[str]
    arity: ClassVar[int | None] = 1  # None: one or more
    attributes: ClassVar[tuple[str, ...]] = ()

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        """Length of the result; ProgramError when inputs or attributes do not go together."""
        raise NotImplementedError

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        """Interval of the result; ProgramError when an intermediate could leave int32."""
        raise NotImplementedError

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        """The result, shape (batch, size) from inputs of shape (batch or 1, size)."""
        raise NotImplementedError


def broadcast_size(name: str, sizes: Sequence[int]) -> int:
    """Length of an elementwise result; sizes must agree or be 1."""
    longest = max(sizes)
    require(all(s in (1, longest) for s in sizes), name, f"input sizes {list(sizes)}", "equal sizes, or 1")
    return longest


class Elementwise(Op):
    """Shared by operations that act element by element on broadcast inputs."""

    arity = 2

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        return broadcast_size(self.name, sizes)

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        length = max(i.size for i in inputs)
        return interval([self.pair([i.at(k) for i in inputs], attributes) for k in range(length)], self.name)

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        """Bounds of one result element from the bounds of its operands."""
        raise NotImplementedError


class Const(Op):
    """A row of constants; no inputs."""

    name = "const"
    arity = 0
    attributes = ("values",)

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        return len(vector(attributes, "values"))

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        return interval([(v, v) for v in vector(attributes, "values")], self.name)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return np.asarray([vector(attributes, "values")], dtype=np.int64)


class Add(Elementwise):
    """a + b."""

    name = "add"

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        (al, ah), (bl, bh) = inputs
        return al + bl, ah + bh

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return inputs[0] + inputs[1]


class Sub(Elementwise):
    """a - b."""

    name = "sub"

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        (al, ah), (bl, bh) = inputs
        return al - bh, ah - bl

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return inputs[0] - inputs[1]


class Mul(Elementwise):
    """a * b."""

    name = "mul"

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        (al, ah), (bl, bh) = inputs
        products = (al * bl, al * bh, ah * bl, ah * bh)
        return min(products), max(products)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return inputs[0] * inputs[1]


class Max(Elementwise):
    """The larger of a and b."""

    name = "max"

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        (al, ah), (bl, bh) = inputs
        return max(al, bl), max(ah, bh)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return np.maximum(inputs[0], inputs[1])


class Greater(Elementwise):
    """1 where a > b, else 0."""

    name = "greater"

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        (al, ah), (bl, bh) = inputs
        return int(al > bh), int(ah > bl)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return (inputs[0] > inputs[1]).astype(np.int64)


class Where(Elementwise):
    """a where the condition is not 0, else b; inputs (condition, a, b)."""

    name = "where"
    arity = 3

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        (cl, ch), (al, ah), (bl, bh) = inputs
        if cl > 0 or ch < 0:
            return al, ah
        return (bl, bh) if cl == ch == 0 else (min(al, bl), max(ah, bh))

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return np.asarray(np.where(inputs[0] != 0, inputs[1], inputs[2]), dtype=np.int64)


class Abs(Elementwise):
    """|a|."""

    name = "abs"
    arity = 1

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        ((low, high),) = inputs
        return (0 if low <= 0 <= high else min(abs(low), abs(high))), max(abs(low), abs(high))

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return np.abs(inputs[0])


class Clip(Elementwise):
    """a limited to [low, high], the same limits for every element."""

    name = "clip"
    arity = 1
    attributes = ("low", "high")

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        low, high = scalar(attributes, "low"), scalar(attributes, "high")
        require(low <= high, self.name, f"low {low} above high {high}", "low <= high")
        return sizes[0]

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        ((low, high),) = inputs
        floor, ceiling = scalar(attributes, "low"), scalar(attributes, "high")
        return min(max(low, floor), ceiling), min(max(high, floor), ceiling)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return np.clip(inputs[0], scalar(attributes, "low"), scalar(attributes, "high"))


class Shift(Elementwise):
    """a shifted right by ``shift`` bits, rounded half up (see ``rounding``)."""

    name = "shift"
    arity = 1
    attributes = ("shift",)

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        shift = scalar(attributes, "shift")
        require(0 <= shift <= MAX_SHIFT, self.name, f"shift {shift}", f"0 to {MAX_SHIFT}")
        return sizes[0]

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        ((low, high),) = inputs
        shift = scalar(attributes, "shift")
        if shift:
            fits(low, high + (1 << (shift - 1)), "shift: value plus rounding addend")
        return shift_round_int(low, shift), shift_round_int(high, shift)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return shift_round(inputs[0], scalar(attributes, "shift"))


class Divide(Elementwise):
    """floor(a / b) for a >= 0 and b >= 1, which the ranges must prove."""

    name = "divide"

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        (al, ah), (bl, bh) = inputs
        require(al >= 0, self.name, f"a numerator down to {al}", "a numerator of at least 0")
        require(bl >= 1, self.name, f"a denominator down to {bl}", "a denominator of at least 1")
        return al // bh, ah // bl

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return inputs[0] // inputs[1]


class Ratio(Elementwise):
    """floor(min(max(a, 0), d) * 2**bits / d) with d = max(b, floor): a share of d, never above 2**bits.

    Numerator and denominator are correlated, so that plain intervals would let the quotient grow to
    high(a) * 2**bits / floor; clipping the numerator to d inside the operation is what bounds it.
    """

    name = "ratio"
    attributes = ("floor", "bits")

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        require(scalar(attributes, "floor") >= 1, self.name, "a floor below 1", "a floor of at least 1")
        require(0 <= scalar(attributes, "bits") <= 16, self.name, "bits outside 0..16", "0 to 16")
        return broadcast_size(self.name, sizes)

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        (al, ah), (bl, bh) = inputs
        floor, bits = scalar(attributes, "floor"), scalar(attributes, "bits")
        least, most = max(bl, floor), max(bh, floor)
        fits(0, min(max(ah, 0), most) << bits, "ratio: scaled numerator")
        return self._share(al, most, bits), self._share(ah, least, bits)

    @staticmethod
    def _share(numerator: int, denominator: int, bits: int) -> int:
        return (min(max(numerator, 0), denominator) << bits) // denominator

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        denominator = np.maximum(inputs[1], scalar(attributes, "floor"))
        numerator = np.minimum(np.maximum(inputs[0], 0), denominator)
        return (numerator << scalar(attributes, "bits")) // denominator


class Take(Op):
    """The elements at ``indices``, in that order."""

    name = "take"
    attributes = ("indices",)

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        indices = vector(attributes, "indices")
        require(
            all(0 <= i < sizes[0] for i in indices),
            self.name,
            f"indices {indices}"[:80],
            f"0 to {sizes[0] - 1}",
        )
        return len(indices)

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        return interval([inputs[0].at(i) for i in vector(attributes, "indices")], self.name)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return inputs[0][:, list(vector(attributes, "indices"))]


class Concat(Op):
    """The inputs one after the other."""

    name = "concat"
    arity = None

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        return sum(sizes)

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        return Interval(tuple(v for i in inputs for v in i.low), tuple(v for i in inputs for v in i.high))

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        rows = max(len(i) for i in inputs)
        return np.concatenate([np.broadcast_to(i, (rows, i.shape[1])) for i in inputs], axis=1)


class ReduceMax(Op):
    """The largest element."""

    name = "reduce_max"

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        return 1

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        return Interval((max(inputs[0].low),), (max(inputs[0].high),))

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return np.asarray(inputs[0].max(axis=1, keepdims=True), dtype=np.int64)


class ArgMax(Op):
    """The index of the largest element; the first one wins."""

    name = "argmax"

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        return 1

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        return Interval((0,), (inputs[0].size - 1,))

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        return np.asarray(inputs[0].argmax(axis=1)[:, None], dtype=np.int64)


class Lookup(Elementwise):
    """table[a], the index clipped to the table."""

    name = "lookup"
    arity = 1
    attributes = ("table",)

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        table = vector(attributes, "table")
        last = len(table) - 1
        low, high = (min(max(v, 0), last) for v in inputs[0])
        return min(table[low : high + 1]), max(table[low : high + 1])

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        table = np.asarray(vector(attributes, "table"), dtype=np.int64)
        return np.asarray(table[np.clip(inputs[0], 0, len(table) - 1)], dtype=np.int64)
