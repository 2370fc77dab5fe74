"""The operations with tables of trained numbers: dense layer, hinge table, tree ensemble, running mean."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from training.program.ops import (
    Array,
    Attributes,
    Elementwise,
    Interval,
    Op,
    broadcast_size,
    fits,
    interval,
    matrix,
    require,
    scalar,
    vector,
)
from training.program.rounding import MAX_SHIFT, shift_round, shift_round_int


class Dense(Op):
    """weights @ x + bias, weights of shape (outputs, inputs)."""

    name = "dense"
    attributes = ("weights", "bias")

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        weights, bias = matrix(attributes, "weights"), vector(attributes, "bias")
        require(len(weights[0]) == sizes[0], self.name, f"{len(weights[0])} weights a row", f"{sizes[0]}")
        require(len(bias) == len(weights), self.name, f"{len(bias)} biases", f"{len(weights)}")
        return len(weights)

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        """Sums follow the actual weights; every partial sum is checked, in the order the C adds them."""
        result = []
        for row, bias in zip(matrix(attributes, "weights"), vector(attributes, "bias"), strict=True):
            low = high = bias
            for weight, (xl, xh) in zip(row, map(inputs[0].at, range(inputs[0].size)), strict=True):
                terms = (weight * xl, weight * xh)
                fits(min(terms), max(terms), "dense: product")
                low, high = low + min(terms), high + max(terms)
                fits(low, high, "dense: partial sum")
            result.append((low, high))
        return interval(result, self.name)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        weights = np.asarray(matrix(attributes, "weights"), dtype=np.int64)
        return inputs[0] @ weights.T + np.asarray(vector(attributes, "bias"), dtype=np.int64)


class Hinge(Elementwise):
    """A piecewise-linear table, clipped to its ends.

    With x clipped to [knots[0], knots[-1]] and i the last segment whose knot is <= x:
    ``values[i] + shift_round(slopes[i] * (x - knots[i]), shift)``. ``knots`` rise strictly;
    ``values`` and ``slopes`` have one entry a segment, one fewer than knots.
    """

    name = "hinge"
    arity = 1
    attributes = ("knots", "values", "slopes", "shift")

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        knots, shift = vector(attributes, "knots"), scalar(attributes, "shift")
        segments = {len(vector(attributes, n)) for n in ("values", "slopes")}
        require(
            len(knots) >= 2 and segments == {len(knots) - 1},
            self.name,
            "tables of unequal length",
            "one segment between two knots",
        )
        require(all(a < b for a, b in pairwise(knots)), self.name, "knots that do not rise", "rising knots")
        require(0 <= shift <= MAX_SHIFT, self.name, f"shift {shift}", f"0 to {MAX_SHIFT}")
        return sizes[0]

    def pair(self, inputs: Sequence[tuple[int, int]], attributes: Attributes) -> tuple[int, int]:
        """Each segment is monotone, so its extremes lie at its ends: a fused rule, tighter than plain
        intervals.
        """
        ((low, high),) = inputs
        knots, values, slopes = (vector(attributes, n) for n in ("knots", "values", "slopes"))
        shift = scalar(attributes, "shift")
        half = (1 << shift) >> 1
        low, high = (min(max(v, knots[0]), knots[-1]) for v in (low, high))
        fits(low - knots[-1], high - knots[0], "hinge: distance from a knot")
        reached = []
        for i, (knot, value, slope) in enumerate(zip(knots, values, slopes, strict=False)):
            last = knots[i + 1] if i == len(values) - 1 else knots[i + 1] - 1
            start, stop = max(low, knot), min(high, last)
            if start > stop:
                continue
            for x in (start, stop):
                product = slope * (x - knot)
                fits(min(product, 0), max(product, 0) + half, "hinge: product plus rounding addend")
                reached.append(value + shift_round_int(product, shift))
        return min(reached), max(reached)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        knots, values, slopes = (
            np.asarray(vector(attributes, n), dtype=np.int64) for n in ("knots", "values", "slopes")
        )
        x = np.clip(inputs[0], knots[0], knots[-1])
        segment = np.searchsorted(knots[1:-1], x, side="right")
        return values[segment] + shift_round(
            slopes[segment] * (x - knots[segment]), scalar(attributes, "shift")
        )


class Trees(Op):
    """The sum of the leaves that ``depth`` steps down each tree reach.

    One table for all trees; node k is (feature[k], threshold[k], child[k], value[k]). A step goes to
    ``child[k] + (x[feature[k]] > threshold[k])``: the right child stands behind the left one. A leaf is its
    own child, with a threshold that no input exceeds, so that walking on after a leaf changes nothing.
    """

    name = "trees"
    attributes = ("roots", "feature", "threshold", "child", "value", "depth")

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        tables = [vector(attributes, n) for n in ("feature", "threshold", "child", "value")]
        count = len(tables[0])
        require(
            count > 0 and all(len(t) == count for t in tables),
            self.name,
            "tables of unequal length",
            "one entry a node",
        )
        feature, child, roots = tables[0], tables[2], vector(attributes, "roots")
        require(
            all(0 <= f < sizes[0] for f in feature),
            self.name,
            "a feature that does not exist",
            f"0 to {sizes[0] - 1}",
        )
        require(
            all(0 <= r < count for r in roots) and len(roots) > 0,
            self.name,
            "a root outside the table",
            f"0 to {count - 1}",
        )
        for k, c in enumerate(child):
            require(
                c == k or k < c <= count - 2,
                self.name,
                f"node {k} with child {c}",
                "itself, or a later node with a sibling",
            )
        require(1 <= scalar(attributes, "depth") <= 32, self.name, "depth outside 1..32", "1 to 32")
        return 1

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        low = high = 0
        for root in vector(attributes, "roots"):
            leaves = self._reachable(root, inputs[0], attributes)
            low, high = low + min(leaves), high + max(leaves)
            fits(low, high, "trees: sum of leaves")
        return interval([(low, high)], self.name)

    @staticmethod
    def _reachable(root: int, x: Interval, attributes: Attributes) -> list[int]:
        """Values of the leaves under ``root``; a leaf must hold its own place for every input."""
        feature, threshold, child, value = (
            vector(attributes, n) for n in ("feature", "threshold", "child", "value")
        )
        leaves, level = [], [root]
        for _ in range(scalar(attributes, "depth") + 1):
            below = list[int]()
            for k in dict.fromkeys(level):  # a node that two lead to is looked at once
                if child[k] == k:
                    _, most = x.at(feature[k])
                    require(
                        most <= threshold[k], "trees", f"leaf {k} can be left", "a threshold no input exceeds"
                    )
                    leaves.append(value[k])
                else:
                    below += [child[k], child[k] + 1]
            level = below
        require(not level, "trees", "a path longer than the depth", "leaves within the depth")
        return leaves

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        (x,) = inputs
        feature, threshold, child, value = (
            np.asarray(vector(attributes, n), dtype=np.int64)
            for n in ("feature", "threshold", "child", "value")
        )
        roots = np.asarray(vector(attributes, "roots"), dtype=np.int64)
        node = np.broadcast_to(roots, (len(x), len(roots)))
        for _ in range(scalar(attributes, "depth")):
            node = child[node] + (np.take_along_axis(x, feature[node], axis=1) > threshold[node])
        return np.asarray(value[node].sum(axis=1, keepdims=True), dtype=np.int64)


class Running(Op):
    """One step of a running mean kept as a sum: ``acc - shift_round(acc, shift) + x``; inputs (x, acc).

    The mean is ``shift_round(result, shift)``. The sum carries ``shift`` extra bits; a mean kept at the
    resolution of x would stick as soon as a step is smaller than half its last digit.
    """

    name = "running"
    arity = 2
    attributes = ("shift",)

    def size(self, sizes: Sequence[int], attributes: Attributes) -> int:
        shift = scalar(attributes, "shift")
        require(1 <= shift <= 15, self.name, f"shift {shift}", "1 to 15")
        require(sizes[0] == sizes[1], self.name, f"input sizes {list(sizes)}", "equal sizes")
        return broadcast_size(self.name, sizes)

    def bounds(self, inputs: Sequence[Interval], attributes: Attributes) -> Interval:
        """Monotone in both inputs, so the ends of the intervals give the ends of the result (fused rule)."""
        shift = scalar(attributes, "shift")
        (x, acc), result = inputs, []
        for k in range(acc.size):
            (xl, xh), (al, ah) = x.at(k), acc.at(k)
            fits(al, ah + (1 << (shift - 1)), "running: sum plus rounding addend")
            result.append((al - shift_round_int(al, shift) + xl, ah - shift_round_int(ah, shift) + xh))
        return interval(result, self.name)

    def evaluate(self, inputs: Sequence[Array], attributes: Attributes) -> Array:
        x, acc = inputs
        return acc - shift_round(acc, scalar(attributes, "shift")) + x


def running_range(x_low: int, x_high: int, shift: int) -> tuple[int, int]:
    """The range that a running sum of x in [x_low, x_high] never leaves once inside.

    Both ends are fixed points of the step for their x, and the step is monotone, so the range maps into
    itself; it holds the sum that a first frame starts with, ``x << shift``.
    """
    return x_low * (1 << shift), x_high * (1 << shift)
