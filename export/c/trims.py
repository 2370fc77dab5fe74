"""Blocks of the generated source that read stored trims and look at their swings."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from export.c.header import count_type
from export.c.layout import Tables
from export.c.text import fill
from export.trim_bytes import (
    CRC_RESIDUE,
    FIELD_FORMAT,
    MAGIC,
    RECORD_FORMAT,
    TrimAnswer,
    fits_of,
)
from training.program import Program

_UINT16_MAX = 0xFFFF
_ANY = 0xFF  # above every answer: of a byte that may be any, and of a head in which nothing is wrong
_ANSWERS = (
    *(TrimAnswer.BAD_MAGIC,) * 4,
    TrimAnswer.BAD_FORMAT,
    _ANY,  # kind
    *(TrimAnswer.BAD_SHAPE,) * 2,
    *(TrimAnswer.BAD_SENSOR,) * 4,
    *(_ANY,) * 2,  # temperature
    *(TrimAnswer.BAD_SCALE,) * 2,
)

_WORD = """
/* A little-endian word at any address. */
@PREFIX@_CODE_SECTION @PREFIX@_APART static uint32_t @prefix@_word(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | ((uint32_t)bytes[1] << 8U) | ((uint32_t)bytes[2] << 16U) | ((uint32_t)bytes[3] << 24U);
}
"""

_TRIM_FAULT = """
/* What is wrong with the record that begins here, a head long at least; @PREFIX@_TRIM_OK where nothing is. */
@PREFIX@_CODE_SECTION @PREFIX@_APART static uint32_t @prefix@_trim_fault(const uint8_t *record, uint32_t left)
{
    const uint32_t less = ((uint32_t)record[@PREFIX@_TRIM_AT_FORMAT] & 1U) * @PREFIX@_SERIAL_LENGTH; /* format 1 is a serial shorter */
    const uint32_t size = @PREFIX@_TRIM_LENGTH - less;
    uint32_t found = @any@U;
    for (uint32_t k = 0U; k < @PREFIX@_TRIM_AT_SERIAL; ++k) {
        const uint32_t why = @why@[k];
        if ((why < found) && (record[k] != @heads@[less + k])) {
            found = why;
        }
    }
    if (found == @any@U) {
        found = @PREFIX@_TRIM_BAD_CRC;
        if (size <= left) {
            if (@prefix@_crc(0xFFFFFFFFU, record, size) == @residue@U) { /* over a record and its CRC the register always ends the same */
                found = @PREFIX@_TRIM_OK;
            }
        }
    }
    return found;
}
"""

_TRIM_TAKE = """
/* Takes the counts of a record, which stand at a place in it, when the model uses its kind; gives the bit of that kind, else 0. */
@PREFIX@_CODE_SECTION @PREFIX@_APART static uint32_t @prefix@_trim_take(const uint8_t *record, uint32_t at, @prefix@_count_t *trim)
{
    const uint8_t kind = record[@PREFIX@_TRIM_AT_KIND];
    const uint8_t *const counts = &record[at];
    uint32_t taken = 0U;
@kinds@
    return taken;
}
"""

_TRIM_CHECK = """\
    uint32_t answer = @PREFIX@_TRIM_NO_KIND;
    uint32_t missing = @all@U; /* a bit for each kind, and above them what a serial has other than the unit's own */
    const uint8_t *own = serial;
    const uint8_t *record = bytes;
    uint32_t left = length;
    while (left >= @PREFIX@_TRIM_AT_SERIAL) { /* what is less than a head is no record */
        const uint32_t found = @prefix@_trim_fault(record, left);
        uint32_t size = 4U; /* behind what is no record, one may begin at the next word */
        if (found == @PREFIX@_TRIM_OK) {
            const uint32_t counts = @PREFIX@_SERIAL_LENGTH * (uint32_t)record[@PREFIX@_TRIM_AT_FORMAT]; /* format 1 has no serial before them */
            if (counts == @PREFIX@_TRIM_AT_COUNTS) {
                const uint8_t *const carried = &record[@PREFIX@_TRIM_AT_SERIAL];
                own = (own == NULL) ? carried : own;
                for (uint32_t k = 0U; k < @PREFIX@_SERIAL_LENGTH; ++k) {
                    missing |= ((uint32_t)carried[k] ^ (uint32_t)own[k]) << 8U;
                }
            }
            missing &= ~@prefix@_trim_take(record, counts, trim);
            size = counts + (@PREFIX@_TRIM_LENGTH - @PREFIX@_TRIM_AT_COUNTS);
        }
        answer = (found > answer) ? found : answer;
        record = &record[size];
        left -= size;
    }
    if (missing > 0xFFU) {
        answer = @PREFIX@_TRIM_OTHER_UNIT;
    } else if (missing == 0U) {
@good@
    } else {
        /* the largest of what was found wrong */
    }
    return (uint8_t)answer;"""

_UNGATED = "        answer = @PREFIX@_TRIM_OK;"
_GATED = """\
        answer = @PREFIX@_TRIM_BAD_SWING;
        if (@prefix@_swings(trim)) {
            answer = @PREFIX@_TRIM_OK;
        }"""

_SWINGS = """
/* Whether the count of the @more@ trim less that of the @less@ is one that the model accepts, for each channel; unsigned, so that it may wrap. */
@PREFIX@_CODE_SECTION @PREFIX@_APART static bool @prefix@_swings(const @prefix@_count_t *trim)
{
    bool accepted = true;
    for (uint32_t k = 0U; k < @PREFIX@_CHANNELS; ++k) {
        const uint32_t above = ((uint32_t)trim[@minuend@] - (uint32_t)trim[@subtrahend@]) - @low@;
        if (above > @width@) {
            accepted = false;
        }
    }
    return accepted;
}
"""

_ONE_KIND = """\
    if (kind == @PREFIX@_TRIM_KIND_@KIND@) {
        for (uint32_t k = 0U; k < @PREFIX@_CHANNELS; ++k) {
@value@            trim[k] = @count@;
        }
        taken = 1U;
    }"""

_SEVERAL_KINDS = """\
    uint32_t place = @kinds_count@U;
@chain@
    if (place < @kinds_count@U) {
        for (uint32_t k = 0U; k < @PREFIX@_CHANNELS; ++k) {
@value@            trim[(place * @PREFIX@_CHANNELS) + k] = @count@;
        }
        taken = (uint32_t)1U << place;
    }"""


def trim_check(program: Program, prefix: str) -> str:
    """Body of the function that reads stored trims."""
    if program.trim is None:
        unused = "".join(f"    (void){name};\n" for name in ("bytes", "length", "trim", "serial"))
        return f"{unused}    return {prefix.upper()}_TRIM_OK;"
    gaps = {"prefix": prefix, "PREFIX": prefix.upper()}
    good = fill(_UNGATED if program.swing is None else _GATED, gaps)
    return fill(_TRIM_CHECK, gaps | {"all": str((1 << len(program.trim_kinds)) - 1), "good": good})


def trim_helpers(program: Program, prefix: str, tables: Tables) -> str:
    """The helpers of that function; nothing for a program that takes no trim."""
    if program.trim is None:
        return ""
    formula = "the head of a record that fits, of format 2 and of format 1; kind and temperature may be any"
    heads = tables.add("trim_heads", _heads(program), formula, ctype="uint8_t").base
    formula = "what is wrong where a byte of the head is another; the smallest counts"
    why = tables.add("trim_why", _ANSWERS, formula, ctype="uint8_t").base
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "any": str(_ANY),
        "heads": heads,
        "why": why,
        "residue": f"0x{CRC_RESIDUE:08X}",
        "kinds": _kinds(program, prefix),
    }
    word = fill(_WORD, gaps) if count_type(program) == "uint32_t" else ""
    return word + fill(_TRIM_FAULT, gaps) + fill(_TRIM_TAKE, gaps)


def _heads(program: Program) -> list[int]:
    """The head of a record that fits, of format 2, then of format 1; kind and temperature stand as 0.

    The C takes the row by the lowest bit of the format's number, so a row that may never fit bears the number
    of the other.
    """
    fits, both = fits_of(program), RECORD_FORMAT + FIELD_FORMAT
    rows = b""
    for number in (RECORD_FORMAT, FIELD_FORMAT):
        key, scale = fits.keys[number], fits.scale_in(number)
        shown = number if key else both - number
        rows += struct.pack("<IBBBBIhH", MAGIC, shown, 0, fits.channels, fits.width, key, 0, scale)
    return [*rows]


def swing_check(program: Program, prefix: str, tables: Tables) -> str:
    """The helper that looks at the swings of a trim; nothing for a program that takes any."""
    if program.swing is None:
        return ""
    low, high = program.swing.low, program.swing.high
    places = ("second", f"{prefix.upper()}_CHANNELS + k"), ("first", "k")
    if max(high) < 0:  # counts that fall: turned round, the numbers are small
        low, high, places = tuple(-v for v in high), tuple(-v for v in low), places[::-1]
    (more, minuend), (less, subtrahend) = places
    gaps = {"prefix": prefix, "PREFIX": prefix.upper(), "more": more, "less": less}
    gaps |= {"minuend": minuend, "subtrahend": subtrahend}
    for name, values, text in (
        ("low", low, "the lowest swing accepted of each channel, modulo 2^32"),
        (
            "width",
            [b - a for a, b in zip(low, high, strict=True)],
            "the highest swing accepted less the lowest",
        ),
    ):
        gaps[name] = _swing(f"p_swing_{name}", [value & 0xFFFFFFFF for value in values], text, tables)
    return fill(_SWINGS, gaps)


def _swing(name: str, values: Sequence[int], text: str, tables: Tables) -> str:
    """Where C finds a number of each channel: itself where they are one, else a table as narrow as they are."""
    if len(set(values)) == 1:
        return f"{values[0]}U"
    ctype = "uint16_t" if max(values) <= _UINT16_MAX else "uint32_t"
    entry = f"{tables.add(name, values, text, ctype=ctype).base}[k]"
    return entry if ctype == "uint32_t" else f"(uint32_t){entry}"


def _kinds(program: Program, prefix: str) -> str:
    """The lines that take a record's counts to their place in the trim, when the model uses its kind."""
    big, names = prefix.upper(), [kind.upper() for kind in program.trim_kinds]
    value, count = (
        f"{' ' * 12}const uint8_t *const pair = &counts[2U * k];\n",
        "(uint16_t)((uint32_t)pair[0] | ((uint32_t)pair[1] << 8U))",
    )
    if count_type(program) == "uint32_t":
        value, count = "", f"{prefix}_word(&counts[4U * k])"
    gaps = {"PREFIX": big, "value": value, "count": count, "KIND": names[0], "kinds_count": str(len(names))}
    if len(names) == 1:
        return fill(_ONE_KIND, gaps)
    tests = [
        f"if (kind == {big}_TRIM_KIND_{name}) {{\n        place = {k}U;\n    }}"
        for k, name in enumerate(names)
    ]
    unused = " else {\n        /* a kind that this model does not use */\n    }"
    return fill(_SEVERAL_KINDS, gaps | {"chain": "    " + " else ".join(tests) + unused})
