"""Fixed blocks of the generated source: helpers, self-test, table aggregate. What a program does not use is left out."""

from __future__ import annotations

from export.c_text import fill
from export.c_view import Tables

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
    "divide": """\
/* floor(numerator / denominator); the ranges prove numerator >= 0 and denominator >= 1. */
@PREFIX@_CODE_SECTION static int32_t @prefix@_divide(int32_t numerator, int32_t denominator)
{
    const uint32_t quotient = (uint32_t)numerator / (uint32_t)denominator;
    return (int32_t)quotient;
}
""",
    "ratio": """\
/* floor(min(max(numerator, 0), d) * 2^bits / d) with d = max(denominator, floor) >= 1: a share of d, never above 2^bits. */
@PREFIX@_CODE_SECTION static int32_t @prefix@_ratio(int32_t numerator, int32_t denominator, int32_t floor, uint32_t bits)
{
    const int32_t least = (denominator > floor) ? denominator : floor;
    const int32_t share = @prefix@_clip(numerator, 0, least);
    const uint32_t quotient = ((uint32_t)share << bits) / (uint32_t)least;
    return (int32_t)quotient;
}
""",
}

_SELFTEST = """\
    const volatile uint8_t *const bytes = (const volatile uint8_t *)&@prefix@_tables;
    uint32_t crc = 0xFFFFFFFFU;
    for (uint32_t i = 0U; i < @PREFIX@_TABLES_LENGTH; ++i) {
        crc ^= (uint32_t)bytes[i];
        for (uint32_t bit = 0U; bit < 8U; ++bit) {
            crc = (crc >> 1U) ^ (((crc & 1U) != 0U) ? 0xEDB88320U : 0U);
        }
    }
    return (crc ^ 0xFFFFFFFFU) == @PREFIX@_TABLES_CRC32;"""

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


def helpers(code: str, prefix: str) -> str:
    """The helper functions that ``code`` calls, those they call before them."""
    used = {name for name in _HELPERS if f"{prefix}_{name}(" in code}
    if "ratio" in used:
        used.add("clip")
    gaps = {"prefix": prefix, "PREFIX": prefix.upper()}
    return "".join("\n" + fill(text, gaps) for name, text in _HELPERS.items() if name in used)


def aggregate(tables: Tables, prefix: str) -> str:
    """The struct of tables and its one constant; nothing for a program without tables."""
    if not tables.members:
        return ""
    members = "\n".join(t.declaration for t in tables.members)
    values = ",\n".join(t.initialiser for t in tables.members)
    return fill(_TABLES, {"prefix": prefix, "PREFIX": prefix.upper(), "members": members, "values": values})


def selftest(tables: Tables, prefix: str) -> str:
    """Body of the self-test; the reads are volatile, or a compiler could work out the answer and leave them out."""
    return fill(_SELFTEST, {"prefix": prefix, "PREFIX": prefix.upper()}) if tables.members else "    return true;"


def tables_start(tables: Tables, prefix: str) -> str:
    return f"    return &{prefix}_tables;" if tables.members else "    return NULL;"
