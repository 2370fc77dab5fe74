"""Layers on weights packed into words: which kernel a layer can have, its words, and the kernels' C.

A kernel takes rectified layers (shift, then clip to [0, high]), several rows at a time, and reads one stream
of words: columns, shift, high and rows; then, for each group of rows, where the sums start (bias and rounding
addend) and the weights column by column.

- ``bytes``: four rows, a word holds the weights of one column, w0 + 256 w1 in its lower half and w2 + 256 w3
in its upper one. Sums of
  whole halves are kept and what does not belong to the row is taken off at the end, so that unpacking four
  weights takes four instructions. The ranges must hold sums 256 times as large.
- ``spread``: the same without that condition, each byte a weight of its own.
- ``halves``: four rows with weights of 16 bits, two words a column.
- ``pairs``: eight rows, a word holds w0 + 65536 w1, so that each multiplication makes two products; every sum
must fit 16 bits.

Rows that no kernel takes, and all rows of the tier ``small``, run on plain weights (see ``export.c.layers``).
``branches`` is that with tree ensembles as code (see ``export.c.branches``), ``threes`` runs three rows of
plain weights at a time.

Whoever adds a kind gives its C here and its inner loop for ARMv6-M in ``c_thumb``; both must give the same
bits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import gcd

from dataset.errors import InputError
from export.c.branches import BranchFunctions
from export.c.layers import (
    Layer,
    RowTables,
    RowTypes,
    Words,
    common_types,
    has_row_tables,
    layer_of,
    row_tables,
    rows_function,
    rows_name,
    sum_fits,
)
from export.c.layout import Value
from export.c.text import fill
from export.c.thumb import MOST_WHOLE, TYPES, UNROLLED, Unrolled, thumb
from export.c.trees import Forest, forest_function
from training.program import Interval, Node

TIERS: Mapping[str, tuple[str, ...]] = {
    "small": (),
    "branches": ("branches",),
    "threes": ("threes",),
    "fast": ("bytes", "spread", "halves"),
    "fastest": ("pairs", "bytes", "spread", "halves"),
}
_GROUP = {"bytes": 4, "spread": 4, "halves": 4, "pairs": 8}


_RowKey = tuple[str, str, str]  # form, types of x and out


@dataclass(frozen=True)
class Packed:
    """The words of the first ``rows`` rows of a layer for the kernel of one kind."""

    kind: str
    rows: int
    words: Words


@dataclass
class Kernels:
    """The kernels that one source uses, collected while it is written; ``tier`` says which kinds it may use,
    ``assembly`` that it asks for theirs. A source is written twice: what the layers of one function agree on
    is known after the first time (``settled``).
    """

    tier: str = "small"
    assembly: bool = False
    types: Mapping[_RowKey, RowTypes] = field(default_factory=dict)
    _columns: dict[tuple[str, str, str], set[int]] = field(default_factory=dict)  # of all layers of a kernel
    _rows: dict[_RowKey, list[Layer]] = field(default_factory=dict)
    _widths: dict[_RowKey, set[str]] = field(default_factory=dict)
    _branches: BranchFunctions = field(default_factory=BranchFunctions)
    _forests: dict[str, Forest] = field(default_factory=dict)  # one of each kind

    def __post_init__(self) -> None:
        if self.tier not in TIERS:
            raise InputError("kernels", repr(self.tier), "one of " + ", ".join(TIERS))

    def pack(self, chain: Sequence[Node], x: Interval) -> Packed | None:
        """The layer's words in the first kind of this tier whose condition it meets for as many rows as make
        whole groups.
        """
        layer = layer_of(chain, x)
        if layer is None or layer.low != 0:
            return None
        for kind in (kind for kind in TIERS[self.tier] if kind in _GROUP):
            rows = len(layer.weights) // _GROUP[kind] * _GROUP[kind]
            words = pack_layer(kind, layer.rows(0, rows)) if rows else None
            if words is not None:
                return Packed(kind, rows, words)
        return None

    def call(self, packed: Packed, stream: Value, x: Value, out: Value, inputs: Interval, prefix: str) -> str:
        """The statement that runs ``packed``. Rows that are never negative are read as unsigned, which takes
        fewer instructions.
        """
        read = x.ctype.removeprefix("u") if min(inputs.low) < 0 else f"u{x.ctype.removeprefix('u')}"
        source = x.pointer() if read == x.ctype else f"(const {read} *){x.pointer()}"
        if x.ctype == "int32_t":
            read, source = x.ctype, x.pointer()
        key = (packed.kind, read, out.ctype)
        self._columns.setdefault(key, set()).add(inputs.size)
        return f"{prefix}_{_name(*key)}({stream.base}, {source}, {out.pointer()});"

    def settled(self) -> Kernels:
        """The kernels for writing again, with what all layers that were seen agree on."""
        types = {key: common_types(layers) for key, layers in self._rows.items()}
        return Kernels(self.tier, self.assembly, types)

    def row_tables(self, layer: Layer, x: Value, out: Value) -> RowTables | None:
        """The tables of a layer that runs on plain weights; None where it has no room in them."""
        forms = ("threes", "rows") if "threes" in TIERS[self.tier] else ("rows",)
        form = next((form for form in forms if has_row_tables(layer, form)), "")
        if not form:
            return None
        key = (form, x.ctype, out.ctype)
        self._rows.setdefault(key, []).append(layer)
        return row_tables(layer, self.types.get(key, RowTypes()), form)

    def run_rows(
        self, tables: RowTables, starts: Value, weights: Value, x: Value, out: Value, prefix: str
    ) -> str:
        """The statement that runs a layer on its plain weights."""
        key = (tables.form, x.ctype, out.ctype)
        self._widths.setdefault(key, set()).add(tables.ctype)
        return f"{prefix}_{rows_name(*key)}({starts.base}, {weights.base}, {x.pointer()}, {out.pointer()});"

    def compare(self, node: Node, features: Interval, x: Value, prefix: str) -> str | None:
        """The expression that sums the leaves of an ensemble through code; None where it stays in tables."""
        if "branches" not in TIERS[self.tier] or x.single:
            return None
        return self._branches.call(node, features, x.ctype, x.pointer(), prefix)

    def walk(self, forest: Forest, stream: Value, x: Value, prefix: str) -> str:
        """The expression that sums the leaves of ``forest``."""
        self._forests[forest.name] = forest
        return f"{prefix}_{forest.name}({stream.base}, {x.pointer()}, {forest.trees}U)"

    def _unrolled(self, columns: set[int]) -> Unrolled:
        """How the assembly goes through a row: as a whole where that is fastest and short, else so many
        columns a pass that none are left over.
        """
        if self.tier == "fastest" and len(columns) == 1 and max(columns) <= MOST_WHOLE:
            return Unrolled(max(columns), whole=True)
        return Unrolled(next(n for n in UNROLLED if gcd(*columns) % n == 0))

    def text(self, prefix: str) -> str:
        """The functions that the calls so far need."""
        layers = "".join(
            _function(key, self._unrolled(self._columns[key]), prefix) for key in sorted(self._columns)
        )
        layers = fill(_HEAD, {"PREFIX": prefix.upper()}) + layers if layers else ""
        layers += "".join(
            rows_function(*key, self.types.get(key, RowTypes()), self._widths[key], prefix)
            for key in sorted(self._widths)
        )
        layers += self._branches.text(prefix)
        layers += "".join(forest_function(self._forests[name], prefix) for name in sorted(self._forests))
        return fill(_SWITCH, {"PREFIX": prefix.upper()}) + layers if layers and self.assembly else layers


def pack_layer(kind: str, layer: Layer) -> Words | None:
    """The stream of words of all of ``layer``; None when the kind's condition does not hold."""
    head = (len(layer.reach), layer.shift, layer.high, len(layer.weights))
    size, groups = _GROUP[kind], list[int]()
    for first in range(0, len(layer.weights), size):
        words = _PACKERS[kind](layer.rows(first, first + size))
        if words is None:
            return None
        groups += words
    return tuple(v & 0xFFFFFFFF for v in (*head, *groups))


def _joined(layer: Layer, one: int, other: int, step: int) -> tuple[list[int], int]:
    """Row ``one`` plus ``step`` times row ``other``: weights and start."""
    weights = [a + step * b for a, b in zip(layer.weights[one], layer.weights[other], strict=True)]
    return weights, layer.start[one] + step * layer.start[other]


def _pack_bytes(layer: Layer) -> list[int] | None:
    """Two joined rows in the halves of a word; both must fit 16 bits, their sums 32."""
    if not layer.within(127):
        return None
    (lower, first), (upper, third) = _joined(layer, 0, 1, 256), _joined(layer, 2, 3, 256)
    if not (sum_fits(lower, first, layer.reach) and sum_fits(upper, third, layer.reach)):
        return None
    return [
        layer.start[0],
        first,
        layer.start[2],
        third,
        *((a & 0xFFFF) | ((b & 0xFFFF) << 16) for a, b in zip(lower, upper, strict=True)),
    ]


def _pack_spread(layer: Layer) -> list[int] | None:
    if not layer.within(127):
        return None
    return [
        *layer.start,
        *(
            sum((row[k] & 0xFF) << (8 * j) for j, row in enumerate(layer.weights))
            for k in range(len(layer.reach))
        ),
    ]


def _pack_halves(layer: Layer) -> list[int] | None:
    if not layer.within(32767):
        return None
    a, b, c, d = layer.weights
    return [
        *layer.start,
        *(
            v
            for k in range(len(a))
            for v in ((a[k] & 0xFFFF) | ((b[k] & 0xFFFF) << 16), (c[k] & 0xFFFF) | ((d[k] & 0xFFFF) << 16))
        ),
    ]


def _pack_pairs(layer: Layer) -> list[int] | None:
    if not all(
        sum_fits(w, s, layer.reach, -0x8000, 0x7FFF) for w, s in zip(layer.weights, layer.start, strict=True)
    ):
        return None
    joined = [_joined(layer, k, k + 1, 65536) for k in range(0, 8, 2)]
    if not all(sum_fits(w, s, layer.reach) for w, s in joined):
        return None
    return [*(s for _, s in joined), *(w[k] for k in range(len(layer.reach)) for w, _ in joined)]


_PACKERS: Mapping[str, Callable[[Layer], list[int] | None]] = {
    "bytes": _pack_bytes,
    "spread": _pack_spread,
    "halves": _pack_halves,
    "pairs": _pack_pairs,
}

_HEAD = """
/*
 * Where clang compiles for eight registers, ends of rows stay in memory and each word is read where it is used: kept or read ahead in
 * registers, they drive the sums of the inner loop out of theirs.
 */
#if defined(__clang__) && defined(__ARM_ARCH_6M__)
#define @PREFIX@_AS_WRITTEN volatile
#else
#define @PREFIX@_AS_WRITTEN
#endif
"""

_SWITCH = """
/* Kernels in assembly on the cores that have them. */
#ifndef @PREFIX@_ASM
#define @PREFIX@_ASM
#endif
"""

_FUNCTION = """
/*
 * out[j] = clip(shift_round(bias[j] + sum over k of weights[j][k] * x[k], shift), 0, high), @group@ rows at a time. The stream: columns, shift,
 * high, rows; for each group where its sums start (bias and rounding addend) and its weights, @what@.
 */
@PREFIX@_CODE_SECTION @PREFIX@_APART static void @prefix@_@name@(const uint32_t *stream, const @x@ *x, @out@ *out)
{
#if defined(@PREFIX@_ASM) && defined(__GNUC__) && defined(__ARM_ARCH_6M__)
@thumb@
#else
    const @x@ *const @PREFIX@_AS_WRITTEN end = &x[stream[0]];
    const @out@ *const @PREFIX@_AS_WRITTEN stop = &out[stream[3]];
    const uint32_t shift = stream[1];
    const int32_t high = (int32_t)stream[2];
    const @PREFIX@_AS_WRITTEN uint32_t *word = &stream[4];
    do {
        int32_t a = (int32_t)word[0];
        int32_t b = (int32_t)word[1];
        int32_t c = (int32_t)word[2];
        int32_t d = (int32_t)word[3];
        const @x@ *at = x;
        word = &word[4];
        do {
            const int32_t value = (int32_t)*at;
            ++at;
@products@
        } while (at != end);
@stores@
        out = &out[@group@U];
    } while (out != stop);
#endif
}
"""

_PRODUCTS = {
    "bytes": """\
            const uint32_t w = *word;
            ++word;
            a += (int32_t)(int8_t)(w & 0xFFU) * value;
            b += (int32_t)(int16_t)(w & 0xFFFFU) * value;
            c += (int32_t)(int8_t)((w >> 16U) & 0xFFU) * value;
            d += (int32_t)(int16_t)(w >> 16U) * value;""",
    "spread": """\
            const uint32_t w = *word;
            ++word;
            a += (int32_t)(int8_t)(w & 0xFFU) * value;
            b += (int32_t)(int8_t)((w >> 8U) & 0xFFU) * value;
            c += (int32_t)(int8_t)((w >> 16U) & 0xFFU) * value;
            d += (int32_t)(int8_t)(w >> 24U) * value;""",
    "halves": """\
            a += (int32_t)(int16_t)(word[0] & 0xFFFFU) * value;
            b += (int32_t)(int16_t)(word[0] >> 16U) * value;
            c += (int32_t)(int16_t)(word[1] & 0xFFFFU) * value;
            d += (int32_t)(int16_t)(word[1] >> 16U) * value;
            word = &word[2];""",
    "pairs": """\
            a += (int32_t)*word * value;
            ++word;
            b += (int32_t)*word * value;
            ++word;
            c += (int32_t)*word * value;
            ++word;
            d += (int32_t)*word * value;
            ++word;""",
}
_ROWS = """\
        out[0] = (@out@)@prefix@_clip(a >> shift, 0, high);
        out[1] = (@out@)@prefix@_clip(b >> shift, 0, high);
        out[2] = (@out@)@prefix@_clip(c >> shift, 0, high);
        out[3] = (@out@)@prefix@_clip(d >> shift, 0, high);"""
_STORES = {
    "bytes": f"        b = (b - a) >> 8U;\n        d = (d - c) >> 8U;\n{_ROWS}",
    "spread": _ROWS,
    "halves": _ROWS,
    "pairs": """\
        const int32_t sums[4] = {a, b, c, d};
        for (uint32_t k = 0U; k < 4U; ++k) {
            const int32_t lower = (int32_t)(int16_t)((uint32_t)sums[k] & 0xFFFFU);
            const int32_t upper = (sums[k] - lower) >> 16U;
            out[2U * k] = (@out@)@prefix@_clip(lower >> shift, 0, high);
            out[(2U * k) + 1U] = (@out@)@prefix@_clip(upper >> shift, 0, high);
        }""",
}

_WHAT = {
    "bytes": "a word a column: two halves, in each weight + 256 * the next row's weight",
    "spread": "a word a column, a byte a row",
    "halves": "two words a column, half a word a row",
    "pairs": "four words a column, each weight + 65536 * the next row's weight",
}


def _name(kind: str, x: str, out: str) -> str:
    return f"{kind}_{x.removesuffix('_t')}_{out.removesuffix('_t')}"


def _function(key: tuple[str, str, str], unrolled: Unrolled, prefix: str) -> str:
    kind, x, out = key
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "out": out,
        "x": x,
        "name": _name(*key),
        "group": str(_GROUP[kind]),
        "what": _WHAT[kind],
    }
    gaps |= {"products": _PRODUCTS[kind], "stores": fill(_STORES[kind], gaps)}
    return fill(_FUNCTION, gaps | {"thumb": "\n".join(_quoted(thumb(kind, TYPES[x], TYPES[out], unrolled)))})


def _quoted(lines: Sequence[str]) -> Iterator[str]:
    """Inline assembly: r4 to r7 are saved by hand, since a compiler may keep r7 for itself and must not be
    told that it changes.
    """
    yield "    __asm__ volatile("
    yield from (f'        "{line}\\n"' for line in lines)
    yield "        :"
    yield '        : "l"(stream), "l"(x), "l"(out)'
    yield '        : "r0", "r1", "r2", "r3", "r8", "r9", "r10", "r11", "r12", "lr", "cc", "memory");'
