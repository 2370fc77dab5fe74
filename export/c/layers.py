"""Dense layers on plain weights: a layer in integers, its two tables, and the C that all layers share.

One table begins with the layer's shape (columns, rows, shift, and 1 where weights have 16 bits, a byte each)
and the limits of its results, then come where each sum starts (bias and rounding addend). The other one holds
the weights, row after row, of 8 or 16 bits. One function reads both widths, for it knows them by the shape:
it is smaller than two. What the layers of one function have in common is only known once all have been seen:
see ``RowTypes``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from export.c.text import TYPE_BYTES, fill, literal, narrowest
from training.program import INT32_MAX, INT32_MIN, Interval, Node, matrix, scalar, vector

Words = tuple[int, ...]
Columns = Sequence[tuple[int, int]]  # the range of each input

_MOST = 255  # rows and columns have a byte each
_SECOND_LOOP = 40  # bytes of code by which a function for both widths is larger than one for one of them
NARROW, WIDE = "int8_t", "int16_t"  # types of weights


@dataclass(frozen=True)
class Layer:
    """A layer in integers: weights (rows, columns), where each sum starts, shift, upper limit,
    range of each input, lower limit.
    """

    weights: tuple[Words, ...]
    start: Words
    shift: int
    high: int
    reach: Columns
    low: int = 0

    def rows(self, first: int, last: int) -> Layer:
        return Layer(
            self.weights[first:last], self.start[first:last], self.shift, self.high, self.reach, self.low
        )

    def within(self, most: int) -> bool:
        """Whether no weight is larger than ``most``."""
        return all(-most <= w <= most for row in self.weights for w in row)


@dataclass(frozen=True)
class RowTypes:
    """What the layers of one function agree on: the type of their starts, whether all weights have 16
    bits, as is smaller where only few would have 8, and the limits of their results where all have the same.
    """

    starts: str = "int32_t"
    widened: bool = False
    low: int | None = None
    high: int | None = None

    def limits(self, layer: Layer) -> list[int]:
        """The limits of ``layer`` that its table has to tell."""
        return [layer.low] * (self.low is None) + [layer.high] * (self.high is None)


@dataclass(frozen=True)
class RowTables:
    """The two tables of a layer that is computed row by row, and their types."""

    head: Words
    weights: Words
    types: RowTypes
    ctype: str


def layer_of(chain: Sequence[Node], x: Interval) -> Layer | None:
    """``chain`` (dense, shift, clip) as a layer; None for one whose sums with the addend could leave int32 in
    some order of the products.
    """
    dense, shift, clip = chain
    by = scalar(shift.attributes, "shift")
    half = (1 << by) >> 1
    layer = Layer(
        tuple(tuple(row) for row in matrix(dense.attributes, "weights")),
        tuple(v + half for v in vector(dense.attributes, "bias")),
        by,
        scalar(clip.attributes, "high"),
        tuple(x.at(k) for k in range(x.size)),
        scalar(clip.attributes, "low"),
    )
    rows = zip(layer.weights, layer.start, strict=True)
    return layer if all(sum_fits(w, s, layer.reach) for w, s in rows) else None


def sum_fits(
    weights: Sequence[int], start: int, reach: Columns, low: int = INT32_MIN, high: int = INT32_MAX
) -> bool:
    """Whether the sum stays in [low, high] wherever the inputs lie in their ranges, in whatever order the
    products are added.
    """
    ends = [(w * a, w * b) for w, (a, b) in zip(weights, reach, strict=True)]
    return (
        low <= start + sum(min(0, *e) for e in ends)
        and start + sum(max(0, *e) for e in ends) <= high
        and all(INT32_MIN <= v <= INT32_MAX for e in ends for v in e)
    )


def has_row_tables(layer: Layer) -> bool:
    """Whether the layer's shape and its weights have room."""
    return max(len(layer.reach), len(layer.weights)) <= _MOST and layer.within(0x7FFF)


def row_tables(layer: Layer, types: RowTypes) -> RowTables:
    """The tables of ``layer``."""
    ctype = NARROW if layer.within(0x7F) and not types.widened else WIDE
    shape = [len(layer.reach), len(layer.weights), layer.shift, int(ctype == WIDE)]
    head = [
        *np.array(shape, np.uint8).view(types.starts.removesuffix("_t")).tolist(),
        *types.limits(layer),
        *layer.start,
    ]
    return RowTables(tuple(head), tuple(w for row in layer.weights for w in row), types, ctype)


def common_types(layers: Sequence[Layer]) -> RowTypes:
    """The types with which ``layers`` take fewest bytes together, their function included."""
    lows, highs = ({getattr(layer, end) for layer in layers} for end in ("low", "high"))
    narrow = [len(layer.weights) * len(layer.reach) for layer in layers if layer.within(0x7F)]
    types = RowTypes(
        widened=len(narrow) < len(layers) and sum(narrow) <= _SECOND_LOOP,
        low=lows.pop() if len(lows) == 1 else None,
        high=highs.pop() if len(highs) == 1 else None,
    )
    told = [v for layer in layers for v in (*types.limits(layer), *layer.start)]
    return replace(types, starts="int16_t") if narrowest(told)[1] <= 2 and max(told) <= 0x7FFF else types


def rows_name(x: str, out: str) -> str:
    return f"rows_{x.removesuffix('_t')}_{out.removesuffix('_t')}"


_ROWS = """
/*
 * out[j] = clip((start[j] + sum over k of weights[j][k] * x[k]) >> shift, low, high), row by row. A layer is
 * a byte each for columns, rows, shift and 1 where weights have 16 bits, then the limits that differ between
 * layers, and the starts (bias and rounding addend).
 */
@PREFIX@_CODE_SECTION @PREFIX@_APART static void @prefix@_@name@(const @start@ *layer, const @row@ *weights,
    const @x@ *x, @out@ *out)
{
    const uint8_t *const shape = (const uint8_t *)layer;
    const @x@ *const end = &x[shape[0]];
    const @out@ *const stop = &out[shape[1]];
    const @start@ *start = &layer[@first@];
    const @row@ *row = weights;
    @out@ *to = out;
    do {
        const @x@ *at = x;
        int32_t sum = @cast@*start;
        ++start;
@products@
        *to = (@out@)@prefix@_clip(sum >> shape[2], @low@, @high@);
        ++to;
    } while (to != stop);
}
"""

_PRODUCTS = """\
        do {
            sum += (int32_t)*row * (int32_t)*at;
            ++row;
            ++at;
        } while (at != end);"""

_EITHER = """\
        if (shape[3] != 0U) {
            const int16_t *wide = (const int16_t *)row;
            do {
                sum += (int32_t)*wide * (int32_t)*at;
                ++wide;
                ++at;
            } while (at != end);
            row = wide;
        } else {
            const int8_t *narrow = (const int8_t *)row;
            do {
                sum += (int32_t)*narrow * (int32_t)*at;
                ++narrow;
                ++at;
            } while (at != end);
            row = narrow;
        }"""


def rows_function(x: str, out: str, types: RowTypes, widths: set[str], prefix: str) -> str:
    """The C for layers from rows of ``x`` to rows of ``out`` whose weights have these types."""
    row = next(iter(widths)) if len(widths) == 1 else "void"
    cast = "" if types.starts == "int32_t" else "(int32_t)"
    at = 4 // TYPE_BYTES[types.starts]  # behind the shape
    limits = list[str]()
    for limit in (types.low, types.high):
        limits.append(f"{cast}layer[{at}U]" if limit is None else literal(limit))
        at += limit is None
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "name": rows_name(x, out),
        "x": x,
        "out": out,
        "start": types.starts,
        "cast": cast,
        "row": row,
        "products": _EITHER if row == "void" else _PRODUCTS,
        "low": limits[0],
        "high": limits[1],
        "first": f"{at}U",
    }
    return fill(_ROWS, gaps)
