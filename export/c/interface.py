"""Blocks of the generated source that serve the application around the step: the self-test, the volume table."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from export.c.extras import FRAME_SELFTEST, Extras
from export.c.header import count_type
from export.c.layout import Table, Tables
from export.c.memory import MemoryLayout
from export.c.text import TYPE_BYTES, comment_block, fill
from export.evidence.known_answer import FIRST_POUR, KnownAnswer
from export.identity import Stamp, identity_bytes
from export.volume import VolumeTable
from training.program import Program

_IDENTITY = """
/* The identity, byte by byte as the header has it. */
@PREFIX@_TABLE_SECTION const uint8_t @prefix@_identity[@PREFIX@_IDENTITY_BYTES] = {
@bytes@
};
"""

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

_FAST_CRC = """
/*
 * The CRC-32 (IEEE 802.3, reflected) carried on over some bytes, four bits at a time by a table. The reads are volatile, or a compiler could work
 * out the answer beforehand.
 */
@PREFIX@_CODE_SECTION @PREFIX@_APART static uint32_t @prefix@_crc(uint32_t crc, const volatile uint8_t *bytes, uint32_t length)
{
    uint32_t sum = crc;
    for (uint32_t i = 0U; i < length; ++i) {
        sum ^= (uint32_t)bytes[i];
        sum = (sum >> 4U) ^ @table@[sum & 15U];
        sum = (sum >> 4U) ^ @table@[sum & 15U];
    }
    return sum;
}
"""

_LITTLE_ENDIAN = """
/* Whether the first byte of a number is its lowest; a compiler knows, and leaves nothing of it. */
@PREFIX@_CODE_SECTION static bool @prefix@_little_endian(void)
{
    const uint32_t one = 1U;
    return *(const uint8_t *)&one == 1U;
}
"""

_SLICE = """\
    const uint32_t end = @PREFIX@_TABLES_LENGTH + @pieces@U; /* the tables byte by byte, then the pieces of the known answer */
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
        @prefix@_known(test, test->at - @PREFIX@_TABLES_LENGTH);
        test->at += 1U;
    } else {
        /* the answer stays */
    }
    if (test->at >= end) {
        answer = (test->crc == @answer@U) ? @PREFIX@_SELFTEST_OK : @PREFIX@_SELFTEST_BAD;
    }
    return answer;"""

_KNOWN = """
/* What the known answer is asked with, apart from the tables: a firmware without the self-test does not link it. */
@inputs@

/*
 * One piece of the known answer, @frames@ frames: first all is set up, then each frame takes two pieces, a step and the CRC of what it was given
 * and gave, so that no piece takes much longer than a step.
 */
@PREFIX@_CODE_SECTION @PREFIX@_APART static void @prefix@_known(@prefix@_selftest_t *test, uint32_t piece)
{
    if (piece == 0U) {
@spoil@        @prefix@_init(&test->state);
        (void)@prefix@_prepare(&test->prepared, @trim@);
@trim_crc@    } else {
        const uint32_t frame = (piece - 1U) >> 1U;
        const uint32_t row = @row@;
        if ((piece & 1U) != 0U) {
            (void)@prefix@_step(&test->state, &test->prepared, test->scratch, @counts@, @temperature@,
                                (frame == @last@U) ? 1U : 0U,@since_pour@ &test->reading);
@keeps@        } else {
            /* The CRC goes on where the tables ended: counts, reading, state, and what the last layers gave. */
@crcs@
        }
    }
}
"""

# A state that is 0 by chance would hide an init that leaves something out.
_SPOIL = """\
        volatile uint8_t *const memory = (volatile uint8_t *)&test->state;
        for (uint32_t k = 0U; k < @PREFIX@_STATE_SIZE; ++k) {
            memory[k] = 0xA5U; /* what init leaves out must show */
        }
"""

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


def identity_table(program: Program, prefix: str, stamp: Stamp) -> str:
    """The bytes by which a firmware says which model is in it."""
    numbers = [f"{byte}U" for byte in identity_bytes(program, stamp)]
    lines = ["    " + ", ".join(numbers[at : at + 16]) for at in range(0, len(numbers), 16)]
    return fill(_IDENTITY, {"prefix": prefix, "PREFIX": prefix.upper(), "bytes": ",\n".join(lines)})


def crc(prefix: str, tables: Tables, extras: Extras) -> str:
    """The helpers that the bodies of this module and prepare call; the fast CRC with its table."""
    gaps = {"prefix": prefix, "PREFIX": prefix.upper()}
    little_endian = fill(_LITTLE_ENDIAN, gaps)
    if not extras.fast_crc:
        return fill(_CRC, gaps) + little_endian
    values = [_crc_of(digit) for digit in range(16)]
    table = tables.add("crc_digits", values, "CRC-32 of each four binary digits", ctype="uint32_t").base
    return fill(_FAST_CRC, gaps | {"table": table}) + little_endian


def _crc_of(digit: int) -> int:
    """The register after four binary digits, lowest first (polynomial of IEEE 802.3, reflected)."""
    for _ in range(4):
        digit = (digit >> 1) ^ (0xEDB88320 if digit & 1 else 0)
    return digit


@dataclass(frozen=True)
class Piece:
    """Bytes that the answer's CRC goes over: ``length`` from ``offset`` of the object at ``pointer`` in C,
    and in the interpreter's answers the columns ``start`` to ``stop``, each of ``ctype``. ``kept_from``: where
    in the scratch they were taken from right behind the step, None for what stays where it is.
    """

    pointer: str
    offset: int
    ctype: str
    start: int
    stop: int
    kept_from: int | None = None

    @property
    def length(self) -> int:
        return TYPE_BYTES[self.ctype] * (self.stop - self.start)


def pieces(layout: MemoryLayout, layers: Sequence[tuple[str, int, int]]) -> tuple[Piece, ...]:
    """What the answer's CRC goes over, in its order: the reading, the state, and the rows of last layers
    (type, offset in the scratch in bytes, elements), which are kept behind the step: the scratch may serve
    for something else until the next slice.
    """
    result, start, kept = list[Piece](), 0, 0
    owned = [("&test->reading", m.offset, m.ctype, m.elements) for m in layout.reading.values]
    owned += [("&test->state", m.offset, m.ctype, m.elements) for m in layout.state.values]
    for pointer, offset, ctype, size in owned:
        result.append(Piece(pointer, offset, ctype, start, start + size))
        start += size
    for ctype, offset, size in layers:
        result.append(Piece("test->kept", kept, ctype, start, start + size, offset))
        start, kept = start + size, kept + result[-1].length
    return tuple(result)


def kept_bytes(parts: Sequence[Piece]) -> int:
    """Bytes that a self-test keeps of the scratch."""
    return sum(part.length for part in parts if part.kept_from is not None)


def answer_bytes(known: KnownAnswer, parts: Sequence[Piece], ctype: str) -> bytes:
    """What the answer's CRC goes over, as it lies in the chip's memory: the trim, then frame after frame the
    counts (of ``ctype``) and the interpreter's answers.
    """
    given = [known.rows[max(frame - known.lead, 0)] for frame in range(len(known.answers))]
    frames = (
        _bytes(row, ctype) + b"".join(_bytes(answer[p.start : p.stop], p.ctype) for p in parts)
        for row, answer in zip(given, known.answers, strict=True)
    )
    return _bytes(known.trim, ctype) + b"".join(frames)


def _bytes(values: Sequence[int], ctype: str) -> bytes:
    return np.asarray(values, np.dtype(ctype.removesuffix("_t")).newbyteorder("<")).tobytes()


def selftest(
    program: Program,
    known: KnownAnswer,
    prefix: str,
    tables: Tables,
    parts: Sequence[Piece],
) -> tuple[str, str]:
    """Body of one slice of the self-test, and the function for its known answer; ``tables`` are complete."""
    ctype, trim, counts = count_type(program), f"{prefix}_known_trim", f"{prefix}_known_counts"
    answer = zlib.crc32(answer_bytes(known, parts, ctype), tables.crc) ^ 0xFFFFFFFF
    row = "row" if program.channels == 1 else f"row * {prefix.upper()}_CHANNELS"
    frames, width = len(known.answers), TYPE_BYTES[ctype]
    gaps = {
        "prefix": prefix,
        "PREFIX": prefix.upper(),
        "frames": str(frames),
        "pieces": str(1 + 2 * frames),
        "last": str(frames - 1),
        "row": f"(frame > {known.lead}U) ? (frame - {known.lead}U) : 0U" if known.lead else "frame",
        "temperature": str(known.temperature),
        "since_pour": f" (int32_t)frame + ({FIRST_POUR})," if program.longest_pour_s else "",
        "answer": f"0x{answer:08X}",
        "trim": trim if known.trim else "NULL",
        "trim_crc": f"        {_crc_call(prefix, trim, 0, width * len(known.trim))}\n" if known.trim else "",
        "counts": f"&{counts}[{row}]",
        "keeps": "".join(_keeping(part) for part in parts),
        "crcs": "\n".join(
            " " * 12 + line
            for line in (
                _crc_call(prefix, f"&{counts}[{row}]", 0, width * program.channels),
                *_crc_calls(parts, prefix),
            )
        ),
        "inputs": _known_inputs(program, known, prefix),
        "spoil": fill(_SPOIL, {"PREFIX": prefix.upper()}) if program.states else "",
    }
    return fill(_SLICE, gaps), fill(_KNOWN, gaps)


def _known_inputs(program: Program, known: KnownAnswer, prefix: str) -> str:
    """The trim and the counts of the known answer as constants of the file."""
    values = [count for row in known.rows for count in row]
    rows = [("counts", values, f"{len(known.rows)} frames of {program.channels}")]
    rows += [("trim", list(known.trim), "as prepare takes it")] if known.trim else []
    head = f"{prefix.upper()}_TABLE_SECTION static const {count_type(program)} {prefix}_known_"
    tables = [Table(name, count_type(program), tuple(numbered), 0, text) for name, numbered, text in rows]
    return "\n".join(f"{head}{t.name}[{len(t.values)}] = /* {t.formula} */\n{t.initialiser};" for t in tables)


def slice_gaps(kept: int, extras: Extras) -> dict[str, str]:
    """The gaps of the header on the self-test: ``kept`` bytes of the scratch, and what a frame has room for."""
    judged = "The slices that the export was judged with: the budget has room for step and one of them in one frame."
    if FRAME_SELFTEST not in extras.uses:
        judged = "Slices of the self-test; the export was not judged with one beside step in a frame."
    note = "a frame has room for a piece of the known answer as well"
    if not extras.slice_known:
        note = "no frame has room for a piece of the known answer beside step: run that at power-on only"
    return {
        "kept": f"    uint8_t kept[{kept}];\n" if kept else "",
        "slice_bytes": str(extras.slice_bytes),
        "slice_known": "1" if extras.slice_known else "0",
        "known_note": note,
        "slice_note": judged,
        "costs": _costs(extras.costs),
    }


def _costs(sentences: Sequence[str]) -> str:
    """The part of the header's comment on what the model costs; nothing where it was not measured."""
    if not sentences:
        return ""
    blocks = "\n *\n".join(comment_block(sentence, " *   ") for sentence in sentences)
    return f" * COST\n *\n{blocks}\n *\n"


def _keeping(part: Piece) -> str:
    """The loop that keeps bytes of the scratch; nothing for what needs none."""
    if part.kept_from is None:
        return ""
    to = f"[{part.offset}U + k]" if part.offset else "[k]"
    return (
        f"            for (uint32_t k = 0U; k < {part.length}U; ++k) {{\n"
        f"                test->kept{to} = ((const volatile uint8_t *)test->scratch)[{part.kept_from}U + k];\n"
        "            }\n"
    )


def _crc_calls(parts: Sequence[Piece], prefix: str) -> list[str]:
    """One call for each run of bytes without a gap."""
    runs = list[tuple[str, int, int]]()
    for part in parts:
        if runs and runs[-1][0] == part.pointer and sum(runs[-1][1:]) == part.offset:
            pointer, offset, length = runs.pop()
            runs.append((pointer, offset, length + part.length))
        else:
            runs.append((part.pointer, part.offset, part.length))
    return [_crc_call(prefix, pointer, offset, length) for pointer, offset, length in runs]


def _crc_call(prefix: str, pointer: str, offset: int, length: int) -> str:
    """The CRC carried on over ``length`` bytes from ``offset`` of an object."""
    where = f"&((const volatile uint8_t *){pointer})[{offset}U]"
    return f"test->crc = {prefix}_crc(test->crc, {where}, {length}U);"


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
