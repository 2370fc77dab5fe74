"""Blocks of the generated source that serve the application around the step: stored trims, the self-test, the
volume table.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from export.c.header import count_type
from export.c.layout import Tables
from export.c.memory import MemoryLayout
from export.c.text import TYPE_BYTES, fill
from export.evidence.known_answer import KnownAnswer
from export.trim_bytes import CRC_RESIDUE, count_width
from export.volume import VolumeTable
from training.program import Program

_CRC = """
/* The CRC-32 (IEEE 802.3, reflected) carried on over some bytes. The reads are volatile, or a compiler could work out the answer beforehand. */
@PREFIX@_CODE_SECTION @PREFIX@_APART static uint32_t @prefix@_crc(uint32_t crc, const volatile uint8_t *bytes, uint32_t length)
{
    uint32_t sum = crc;
    for (uint32_t i = 0U; i < length; ++i) {
        sum ^= (uint32_t)bytes[i];
        for (uint32_t bit = 0U; bit < 8U; ++bit) {
            sum = (sum >> 1U) ^ (((sum & 1U) != 0U) ? 0xEDB88320U : 0U);
        }
    }
    return sum;
}
"""

_WORD = """
/* A little-endian word at any address. */
@PREFIX@_CODE_SECTION @PREFIX@_APART static uint32_t @prefix@_word(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | ((uint32_t)bytes[1] << 8U) | ((uint32_t)bytes[2] << 16U) | ((uint32_t)bytes[3] << 24U);
}
"""

_TRIM_CHECK = """\
    uint8_t answer = @PREFIX@_TRIM_NO_KIND;
    uint32_t missing = @all@U;
    for (uint32_t at = 0U; (length - at) >= @PREFIX@_TRIM_LENGTH; at += @PREFIX@_TRIM_LENGTH) {
        const uint8_t *const record = &bytes[at];
        const uint8_t kind = record[@PREFIX@_TRIM_AT_KIND];
        uint8_t found = @PREFIX@_TRIM_OK;
        if (@prefix@_word(&record[@PREFIX@_TRIM_AT_MAGIC]) != @PREFIX@_TRIM_MAGIC) {
            found = @PREFIX@_TRIM_BAD_MAGIC;
        } else if (record[@PREFIX@_TRIM_AT_FORMAT] != @PREFIX@_TRIM_FORMAT) {
            found = @PREFIX@_TRIM_BAD_FORMAT;
        } else if (@prefix@_word(&record[@PREFIX@_TRIM_AT_SENSOR]) != @PREFIX@_SENSOR) {
            found = @PREFIX@_TRIM_BAD_SENSOR;
        } else if (@prefix@_crc(0xFFFFFFFFU, record, @PREFIX@_TRIM_LENGTH) != @residue@U) {
            found = @PREFIX@_TRIM_BAD_CRC; /* over a record and its CRC the register always ends the same */
        } else if ((record[@PREFIX@_TRIM_AT_CHANNELS] != @channels@U) || (record[@PREFIX@_TRIM_AT_WIDTH] != @bytes@U)) {
            found = @PREFIX@_TRIM_BAD_SHAPE;
        } else {
@kinds@
        }
        if (found != @PREFIX@_TRIM_OK) {
            answer = found;
        }
    }
    return (missing == 0U) ? @PREFIX@_TRIM_OK : answer;"""

_UNGATED = "    return (missing == 0U) ? @PREFIX@_TRIM_OK : answer;"
_GATED = """\
    if (missing == 0U) {
        answer = @prefix@_swings(trim) ? @PREFIX@_TRIM_OK : @PREFIX@_TRIM_BAD_SWING;
    }
    return answer;"""

_SWINGS = """
/* Whether the count of the second trim less that of the first is one that the model accepts, for each channel; unsigned, so that it may wrap. */
@PREFIX@_CODE_SECTION @PREFIX@_APART static bool @prefix@_swings(const @prefix@_count_t *trim)
{
    bool accepted = true;
    for (uint32_t k = 0U; k < @PREFIX@_CHANNELS; ++k) {
        const uint32_t above = ((uint32_t)trim[@PREFIX@_CHANNELS + k] - (uint32_t)trim[k]) - @low@;
        accepted = accepted && (above <= @width@);
    }
    return accepted;
}
"""

_ONE_KIND = """\
            if (kind == @PREFIX@_TRIM_KIND_@KIND@) {
                for (uint32_t k = 0U; k < @PREFIX@_CHANNELS; ++k) {
@value@                    trim[k] = @count@;
                }
                missing = 0U;
            }"""

_SEVERAL_KINDS = """\
            uint32_t place = @kinds_count@U;
@chain@
            if (place < @kinds_count@U) {
                for (uint32_t k = 0U; k < @PREFIX@_CHANNELS; ++k) {
@value@                    trim[(place * @PREFIX@_CHANNELS) + k] = @count@;
                }
                missing &= ~((uint32_t)1U << place);
            }"""

_SLICE = """\
    const uint32_t end = @PREFIX@_TABLES_LENGTH + @frames@U; /* the tables byte by byte, then @frames@ frames of the known answer */
    uint8_t answer = @PREFIX@_SELFTEST_RUNNING;
    if (test->at < @PREFIX@_TABLES_LENGTH) {
        const uint32_t left = @PREFIX@_TABLES_LENGTH - test->at;
        const uint32_t some = (bytes > 0U) ? bytes : 1U; /* a slice of nothing would never end */
        const uint32_t now = (some < left) ? some : left;
        test->crc = @prefix@_crc(test->crc, &((const volatile uint8_t *)&@prefix@_tables)[test->at], now);
        test->at += now;
        if ((now == left) && (test->crc != (@PREFIX@_TABLES_CRC32 ^ 0xFFFFFFFFU))) {
            test->at = end; /* damaged tables are not tried */
        }
    } else if (test->at < end) {
        @prefix@_reading_t reading;
        const uint32_t frame = test->at - @PREFIX@_TABLES_LENGTH;
        const uint32_t row = @row@;
        if (frame == 0U) {
            @prefix@_init(&test->state);
            (void)@prefix@_prepare(&test->prepared, @trim@);
        }
        (void)@prefix@_step(&test->state, &test->prepared, test->scratch, @counts@, @temperature@,
                            (frame == @last@U) ? 1U : 0U, &reading);
        /* The CRC goes on where the tables ended: reading, state, and what the last layers gave. */
@crcs@
        test->at += 1U;
    } else {
        /* the answer stays */
    }
    if (test->at >= end) {
        answer = (test->crc == @answer@U) ? @PREFIX@_SELFTEST_OK : @PREFIX@_SELFTEST_BAD;
    }
    return answer;"""

_VOLUME = """
@PREFIX@_CODE_SECTION int32_t @prefix@_volume_ml(int32_t level)
{
    int32_t volume = @PREFIX@_NO_VOLUME;
    if ((level >= 0) && (level <= @PREFIX@_SPAN)) {
        const uint32_t k = (uint32_t)level >> @shift@U;
        const int32_t part = (int32_t)((uint32_t)level & @mask@U);
        const int32_t from = (int32_t)@table@[k];
        const int32_t rise = (int32_t)@table@[k + 1U] - from;
        volume = from + @prefix@_shift_round(rise * part, @shift@U); /* [0, @most@] mL */
    }
    return volume;
}
"""


def trim_check(program: Program, prefix: str) -> str:
    """Body of the function that reads stored trims."""
    if program.trim is None:
        return f"    (void)bytes;\n    (void)length;\n    (void)trim;\n    return {prefix.upper()}_TRIM_OK;"
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "all": str((1 << len(program.trim_kinds)) - 1),
        "residue": f"0x{CRC_RESIDUE:08X}",
        "channels": str(program.channels),
        "bytes": str(count_width(program.count_bits)),
    }
    body = _TRIM_CHECK if program.swing is None else _TRIM_CHECK.replace(_UNGATED, _GATED)
    return fill(body, gaps | {"kinds": _kinds(program, prefix)})


def swing_check(program: Program, prefix: str, tables: Tables) -> str:
    """The helper that looks at the swings of a trim; nothing for a program that takes any."""
    if program.swing is None:
        return ""
    low = [value & 0xFFFFFFFF for value in program.swing.low]
    width = [high - low for low, high in zip(program.swing.low, program.swing.high, strict=True)]
    gaps = {"prefix": prefix, "PREFIX": prefix.upper()}
    for name, values, text in (
        ("low", low, "the lowest swing accepted of each channel, modulo 2^32"),
        ("width", width, "the highest swing accepted less the lowest"),
    ):
        same = len(set(values)) == 1
        gaps[name] = (
            f"{values[0]}U"
            if same
            else f"{tables.add(f'p_swing_{name}', values, text, ctype='uint32_t').base}[k]"
        )
    return fill(_SWINGS, gaps)


def _kinds(program: Program, prefix: str) -> str:
    """The lines that take a record's counts to their place in the trim, when the model uses its kind."""
    big, names = prefix.upper(), [kind.upper() for kind in program.trim_kinds]
    at = f"{big}_TRIM_AT_COUNTS"
    value, count = (
        f"{' ' * 20}const uint8_t *const pair = &record[{at} + (2U * k)];\n",
        "(uint16_t)((uint32_t)pair[0] | ((uint32_t)pair[1] << 8U))",
    )
    if count_type(program) == "uint32_t":
        value, count = "", f"{prefix}_word(&record[{at} + (4U * k)])"
    gaps = {"PREFIX": big, "value": value, "count": count, "KIND": names[0], "kinds_count": str(len(names))}
    if len(names) == 1:
        return fill(_ONE_KIND, gaps)
    tests = [
        f"if (kind == {big}_TRIM_KIND_{name}) {{\n                place = {k}U;\n            }}"
        for k, name in enumerate(names)
    ]
    chain = (
        "            "
        + " else ".join(tests)
        + " else {\n                /* a kind that this model does not use */\n            }"
    )
    return fill(_SEVERAL_KINDS, gaps | {"chain": chain})


def crc(program: Program, prefix: str) -> str:
    """The helpers that the bodies of this module call."""
    gaps = {"prefix": prefix, "PREFIX": prefix.upper()}
    return fill(_CRC, gaps) + (fill(_WORD, gaps) if program.trim is not None else "")


def add_known(program: Program, known: KnownAnswer, tables: Tables) -> tuple[str, str]:
    """Put the inputs of the known answer into the tables; gives where C finds its trim and its counts."""
    values = [count for row in known.rows for count in row]
    formula = f"counts of the known answer: {len(known.rows)} frames of {program.channels}"
    counts = tables.add("known_counts", values, formula, ctype=count_type(program)).base
    if not known.trim:
        return "NULL", counts
    return tables.add(
        "known_trim", known.trim, "trim of the known answer", ctype=count_type(program)
    ).base, counts


@dataclass(frozen=True)
class Piece:
    """Bytes that the answer's CRC goes over: ``length`` from ``offset`` of the object at ``pointer`` in C,
    and in the interpreter's answers the columns ``start`` to ``stop``, each of ``ctype``.
    """

    pointer: str
    offset: int
    ctype: str
    start: int
    stop: int

    @property
    def length(self) -> int:
        return TYPE_BYTES[self.ctype] * (self.stop - self.start)


def pieces(layout: MemoryLayout, layers: Sequence[tuple[str, int, int]]) -> tuple[Piece, ...]:
    """What the answer's CRC goes over, in its order: the reading, the state, and the rows of last layers in
    the scratch (type, offset in bytes, elements).
    """
    result, start = list[Piece](), 0
    owned = [("&reading", m.offset, m.ctype, m.elements) for m in layout.reading.values]
    owned += [("&test->state", m.offset, m.ctype, m.elements) for m in layout.state.values]
    owned += [("test->scratch", offset, ctype, size) for ctype, offset, size in layers]
    for pointer, offset, ctype, size in owned:
        result.append(Piece(pointer, offset, ctype, start, start + size))
        start += size
    return tuple(result)


def answer_bytes(answers: Sequence[Sequence[int]], parts: Sequence[Piece]) -> bytes:
    """The interpreter's answers as they lie in the chip's memory, frame after frame."""
    return b"".join(
        np.asarray(answer[p.start : p.stop], np.dtype(p.ctype.removesuffix("_t")).newbyteorder("<")).tobytes()
        for answer in answers
        for p in parts
    )


def selftest_slice(
    program: Program,
    known: KnownAnswer,
    where: tuple[str, str],
    prefix: str,
    tables: Tables,
    parts: Sequence[Piece],
) -> str:
    """Body of one slice of the self-test; ``tables`` are complete, with the inputs of the known answer at
    ``where``.
    """
    trim, counts = where
    answer = zlib.crc32(answer_bytes(known.answers, parts), tables.crc) ^ 0xFFFFFFFF
    row = "row" if program.channels == 1 else f"row * {prefix.upper()}_CHANNELS"
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "frames": str(len(known.answers)),
        "last": str(len(known.answers) - 1),
        "row": f"(frame > {known.lead}U) ? (frame - {known.lead}U) : 0U" if known.lead else "frame",
        "temperature": str(known.temperature),
        "answer": f"0x{answer:08X}",
        "trim": trim,
        "counts": f"&{counts}[{row}]",
        "crcs": "\n".join(_crc_calls(parts, prefix)),
    }
    return fill(_SLICE, gaps)


def _crc_calls(parts: Sequence[Piece], prefix: str) -> list[str]:
    """One call for each run of bytes without a gap."""
    runs = list[tuple[str, int, int]]()
    for part in parts:
        if runs and runs[-1][0] == part.pointer and sum(runs[-1][1:]) == part.offset:
            pointer, offset, length = runs.pop()
            runs.append((pointer, offset, length + part.length))
        else:
            runs.append((part.pointer, part.offset, part.length))
    return [
        f"        test->crc = {prefix}_crc(test->crc, "
        f"&((const volatile uint8_t *){pointer})[{offset}U], {length}U);"
        for pointer, offset, length in runs
    ]


def volume_function(table: VolumeTable, prefix: str, tables: Tables) -> str:
    """The function from level to millilitres, with its table."""
    formula = f"mL above the datum at every {1 << table.shift} units of level"
    where = tables.add("volume_ml", table.values, formula).base
    most = str(max(table.values))
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "shift": str(table.shift),
        "mask": str((1 << table.shift) - 1),
        "table": where,
        "most": most,
    }
    return fill(_VOLUME, gaps)
