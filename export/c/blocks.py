"""Fixed blocks of the generated source: helpers, self-test, table aggregate. What a program does not use is
left out.
"""

from __future__ import annotations

import re

from export.c.kernels import Kernels
from export.c.layout import Tables
from export.c.memory import Struct
from export.c.text import comment_text, fill

_HELPERS = {
    "shift_round": """\
/* value / 2^shift rounded half up (ties towards plus infinity), 1 <= shift <= 30: the one rounding rule of every model. */
@PREFIX@_CODE_SECTION static int32_t @prefix@_shift_round(int32_t value, uint32_t shift)
{
    const uint32_t half = (uint32_t)1U << (shift - 1U);
    return (value + (int32_t)half) >> shift;
}
""",
    "clip": """\
/* value limited to [low, high]. */
@PREFIX@_CODE_SECTION static int32_t @prefix@_clip(int32_t value, int32_t low, int32_t high)
{
    const int32_t floored = (value < low) ? low : value;
    return (floored > high) ? high : floored;
}
""",
    "quotient": """\
/*
 * The quotient of (rest * 2^digits + the digits that lead the numerator) by denominator, rest below denominator: as many steps as
 * it has binary digits. A core that divides by itself needs no such loop; the answer is the same.
 */
@PREFIX@_CODE_SECTION @PREFIX@_APART static uint32_t @prefix@_quotient(uint32_t rest, uint32_t numerator, uint32_t denominator, uint32_t digits)
{
    uint32_t over = rest;
    uint32_t result = numerator;
    for (uint32_t left = digits; left > 0U; --left) {
        over = (over << 1U) | (result >> 31U);
        result <<= 1U;
        if (over >= denominator) {
            over -= denominator;
            result |= 1U;
        }
    }
    return result;
}
""",
    "divide": """\
/* floor(numerator / denominator); the ranges prove numerator >= 0, denominator >= 1 and a quotient below 2^digits. */
@PREFIX@_CODE_SECTION static int32_t @prefix@_divide(int32_t numerator, int32_t denominator, uint32_t digits)
{
    return (int32_t)@prefix@_quotient((uint32_t)numerator >> digits, (uint32_t)numerator << (32U - digits), (uint32_t)denominator, digits);
}
""",
    "ratio": """\
/* floor(min(max(numerator, 0), d) * 2^bits / d) with d = max(denominator, floor) >= 1: a share of d, never above 2^bits. */
@PREFIX@_CODE_SECTION static int32_t @prefix@_ratio(int32_t numerator, int32_t denominator, int32_t floor, uint32_t bits)
{
    const int32_t least = (denominator > floor) ? denominator : floor;
    if (numerator >= least) {
        return (int32_t)((uint32_t)1U << bits);
    }
    return (numerator > 0) ? (int32_t)@prefix@_quotient((uint32_t)numerator, 0U, (uint32_t)least, bits) : 0;
}
""",
}

_LAYER = """
/*
 * out[j] = clip(shift_round(bias[j] + sum over k of weights[j][k] * x[k], shift), low, high): one kernel for every layer of these types.
 * Sums start with the bias and run up the inputs, the order in which the ranges of the partial sums were shown to fit.
 */
@PREFIX@_CODE_SECTION @PREFIX@_APART static void @prefix@_layer_@types@(const @weight@ *weights, const @bias@ *bias, const @x@ *x, @out@ *out,
    uint32_t rows, uint32_t columns, uint32_t shift, int32_t low, int32_t high)
{
    const @weight@ *row = weights;
    for (uint32_t j = 0U; j < rows; ++j) {
        int32_t sum = (int32_t)bias[j];
        for (uint32_t k = 0U; k < columns; ++k) {
            sum += (int32_t)row[k] * (int32_t)x[k];
        }
        row = &row[columns];
        out[j] = (@out@)@prefix@_clip(@prefix@_shift_round(sum, shift), low, high);
    }
}
"""

_TABLES = """
/* Everything trained that is a row of numbers. Members stand by falling alignment, so there is no padding. */
typedef struct {
@members@
} @prefix@_tables_t;

typedef char @prefix@_assert_tables[(sizeof(@prefix@_tables_t) == @PREFIX@_TABLES_LENGTH) ? 1 : -1];

@PREFIX@_TABLE_SECTION static const @prefix@_tables_t @prefix@_tables = {
@values@
};
"""


def helpers(code: str, prefix: str, shared: Kernels) -> str:
    """The helper functions that ``code`` calls, those they call before them."""
    gaps = {"prefix": prefix, "PREFIX": prefix.upper()}
    kernels = ""
    for types in sorted(set(re.findall(rf"\b{prefix}_layer_(\w+)\(", code))):
        weight, bias, x, out = (f"{t}_t" for t in types.split("_"))
        kernels += fill(_LAYER, gaps | {"types": types, "weight": weight, "bias": bias, "x": x, "out": out})
    kernels += shared.text(prefix)
    used = {name for name in _HELPERS if f"{prefix}_{name}(" in code + kernels}
    if used & {"ratio", "divide"}:
        used.add("quotient")
    return "".join("\n" + fill(text, gaps) for name, text in _HELPERS.items() if name in used) + kernels


def aggregate(tables: Tables, struct: Struct, prefix: str) -> str:
    """The struct of tables and its one constant; nothing for a program without tables."""
    if not tables.members:
        return ""
    members = "\n".join(f"    /* {comment_text(m.comment)} */\n    {m.declaration}" for m in struct.members)
    values = ",\n".join(t.initialiser for t in tables.members)
    return fill(_TABLES, {"prefix": prefix, "PREFIX": prefix.upper(), "members": members, "values": values})
