"""Dense layers on plain weights: a layer in integers, its two tables, and the C that all layers share.

One table begins with the layer's shape (columns, rows, shift, and 1 where weights have 16 bits, a byte each)
and the limits of its results, then come where each sum starts (bias and rounding addend). The other one holds
the weights, row after row, of 8 or 16 bits. One function reads both widths, for it knows them by the shape:
it is smaller than two. What the layers of one function have in common is only known once all have been seen:
see ``RowTypes``.

Layers may also run three rows at a time (``GROUPS``): their weights lie column by column, raised by half
their range, so that loads need no sign; what that adds to a sum is taken off its start. Where rows are left
over, the second group begins that much earlier and does some rows again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from textwrap import indent

import numpy as np

from export.c.text import TYPE_BYTES, fill, literal, narrowest
from training.program import INT32_MAX, INT32_MIN, Interval, Node, matrix, scalar, vector

Words = tuple[int, ...]
Columns = Sequence[tuple[int, int]]  # the range of each input

_MOST = 255  # rows and columns have a byte each
_SECOND_LOOP = 40  # bytes of code by which a function for both widths is larger than one for one of them
NARROW, WIDE = "int8_t", "int16_t"  # types of weights
GROUPS = {"rows": 1, "threes": 3}  # rows at a time


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
    """The two tables of a layer on plain weights, their types, and the form of its function."""

    head: Words
    weights: Words
    types: RowTypes
    ctype: str
    form: str


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


def has_row_tables(layer: Layer, form: str = "rows") -> bool:
    """Whether the layer's shape and its weights have room, and it has rows enough."""
    rows = len(layer.weights)
    return max(len(layer.reach), rows) <= _MOST and rows >= GROUPS[form] and layer.within(0x7FFF)


def row_tables(layer: Layer, types: RowTypes, form: str = "rows") -> RowTables:
    """The tables of ``layer`` for rows one by one, or in groups."""
    wide, size = not layer.within(0x7F) or types.widened, GROUPS[form]
    rows, columns = len(layer.weights), len(layer.reach)
    over = rows % size or size
    order = [k for first in (0, *range(over, rows - size + 1, size)) for k in range(first, first + size)]
    order = list(range(rows)) if size == 1 else order
    shape = (columns, rows, layer.shift, wide if size == 1 else over + 16 * (15 if wide else 7))
    head = [
        *np.array(shape, np.uint8).view(types.starts.removesuffix("_t")).tolist(),
        *types.limits(layer),
        *(layer.start[k] for k in order),
    ]
    if size == 1:
        weights = [w for row in layer.weights for w in row]
        return RowTables(tuple(head), tuple(weights), types, WIDE if wide else NARROW, form)
    groups = [order[first : first + size] for first in range(0, len(order), size)]
    half = 0x8000 if wide else 0x80
    weights = [layer.weights[k][c] + half for group in groups for c in range(columns) for k in group]
    return RowTables(tuple(head), tuple(weights), types, f"u{WIDE if wide else NARROW}", form)


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


def rows_name(form: str, x: str, out: str) -> str:
    return f"{form}_{x.removesuffix('_t')}_{out.removesuffix('_t')}"


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


_THREES = """
/*
 * out[j] = clip((start[j] + sum over k of weights[j][k] * x[k]) >> shift, low, high), three rows at a time. A
 * layer is a byte each for columns, rows, shift and, in two halves, the bits of a weight less one and how
 * many rows of the first group are not done again; then the limits that differ between layers, and the
 * starts. Weights lie column by column, raised by half their range: unsigned, they load in one
 * instruction. Sums wrap round on the way.
 */
@PREFIX@_CODE_SECTION @PREFIX@_APART static void @prefix@_@name@(const @start@ *layer, const @row@ *weights,
    const @x@ *x, @out@ *out)
{
    const uint8_t *const shape = (const uint8_t *)layer;
    const @x@ *const end = &x[shape[0]];
    const @out@ *const stop = &out[shape[1]];
    const uint32_t shift = shape[2];
    const int32_t low = @low@;
    const int32_t high = @high@;
    const @start@ *start = &layer[@first@];
    const @row@ *group = weights;
    @out@ *to = out;
    const @x@ *column = x;
    uint32_t on = (uint32_t)shape[3] & 0xFU;
    uint32_t raised = 0U;
    do {
        raised += (uint32_t)(int32_t)*column;
        ++column;
    } while (column != end);
    raised = raised << @half@;
    do {
        uint32_t a = (uint32_t)start[0] - raised;
        uint32_t b = (uint32_t)start[1] - raised;
        uint32_t c = (uint32_t)start[2] - raised;
        const @x@ *at = x;
        start = &start[3];
@products@
        to[0] = (@out@)@prefix@_clip((int32_t)a >> shift, low, high);
        to[1] = (@out@)@prefix@_clip((int32_t)b >> shift, low, high);
        to[2] = (@out@)@prefix@_clip((int32_t)c >> shift, low, high);
        to = &to[on];
        on = 3U;
    } while (to != stop);
}
"""

_BY_THREE = """\
do {
    const uint32_t value = (uint32_t)(int32_t)*at;
    ++at;
    a += (uint32_t)@w@[0] * value;
    b += (uint32_t)@w@[1] * value;
    c += (uint32_t)@w@[2] * value;
    @w@ = &@w@[3];
} while (at != end);"""


def _threes_products(row: str) -> str:
    if row != "void":
        return indent(_BY_THREE.replace("@w@", "group"), " " * 8)
    wide, narrow = (indent(_BY_THREE.replace("@w@", name), " " * 12) for name in ("wide", "narrow"))
    return f"""\
        if (shape[3] >= 128U) {{
            const uint16_t *wide = (const uint16_t *)group;
{wide}
            group = wide;
        }} else {{
            const uint8_t *narrow = (const uint8_t *)group;
{narrow}
            group = narrow;
        }}"""


def rows_function(form: str, x: str, out: str, types: RowTypes, widths: set[str], prefix: str) -> str:
    """The C for layers from rows of ``x`` to rows of ``out`` whose weights have these types."""
    row = next(iter(widths)) if len(widths) == 1 else "void"
    cast = "" if types.starts == "int32_t" else "(int32_t)"
    at = 4 // TYPE_BYTES[types.starts]  # behind the shape
    limits = list[str]()
    for limit in (types.low, types.high):
        limits.append(f"{cast}layer[{at}U]" if limit is None else literal(limit))
        at += limit is None
    halves = {"uint8_t": "7U", "uint16_t": "15U", "void": "((uint32_t)shape[3] >> 4U)"}
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "name": rows_name(form, x, out),
        "x": x,
        "out": out,
        "start": types.starts,
        "cast": cast,
        "row": row,
        "low": limits[0],
        "high": limits[1],
        "first": f"{at}U",
    }
    if form == "threes":
        return fill(_THREES, gaps | {"half": halves[row], "products": _threes_products(row)})
    return fill(_ROWS, gaps | {"products": _EITHER if row == "void" else _PRODUCTS})
