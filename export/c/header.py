"""What the generated header says beyond the code: identity, cautions, sizes, struct members."""

from __future__ import annotations

from collections.abc import Sequence

from dataset.words import TrimKind
from export.c.layout import Tables
from export.c.memory import MemoryLayout, Struct
from export.c.text import comment_block, comment_text, fill, narrowest
from export.cautions import CAUTIONS
from export.identity import API_VERSION, GATE_BITS, GATE_MEANING, IDENTITY_BYTES, IDENTITY_FORMAT
from export.trim_bytes import (
    KIND_CODES,
    MAGIC,
    OFFSETS,
    RECORD_FORMAT,
    SERIAL_LENGTH,
    TrimAnswer,
    count_width,
    crc_offset,
    record_length,
)
from export.volume import VolumeTable
from training.program import (
    FLAG_BITS,
    LEVEL_UNITS_PER_MM,
    NO_LEVEL,
    NO_POUR,
    NO_TEMPERATURE,
    REASON_NAMES,
    TEMPERATURE_RANGE,
    Program,
    digest,
    matrix,
    model_id,
)

_FLAG_MEANING = {
    "foam": "foam on the liquid",
    "film": "a film or residue on the wall",
    "out_of_range": "counts unlike anything the model was made from",
    "sensor_fault": "a channel is broken, or an input outside the declared domain",
}
_REASON_MEANING = {
    "none": "the reading is given",
    "doubt": "the model does not trust its level, or it still settles after power-on",
    "strange": "a pattern of counts unlike any the model was made from",
    "range": "a count outside what the model was made from",
    "fault": "a channel is broken, an input outside the declared domain, or memory that was not set up",
}


def identity(program: Program) -> str:
    """Comment lines naming the model and what it was made for; the notes are free text from outside."""
    lines = [
        comment_block(
            f"Model {program.name}, id 0x{model_id(program):08X}, program SHA-256 {digest(program)}."
        )
    ]
    lines += [comment_block(f"{key}: {value}", " *   ") for key, value in sorted(program.notes.items())]
    return "\n".join(lines)


def _reading(program: Program, macros: str) -> str:
    """What low and high of a reading mean; a band that no one calibrated is not claimed."""
    band = (
        "The liquid stands between low and high."
        if program.has_band
        else f"No band was calibrated: low is always 0 and high always {macros}_SPAN."
    )
    return (
        f"One reading. {band} Pump and heater logic uses low (protects against running dry), overflow logic "
        f"uses high. Withheld: low is 0, level is {macros}_NO_LEVEL, high is {macros}_SPAN, so that both "
        "kinds of logic fall to their safe side."
    )


def layer_lines(program: Program) -> str:
    """The layers as lines of a comment: rows, columns, and the bits that each weight is kept in."""
    layers = list[tuple[str, str]]()
    for node in (*program.prepare, *program.step):
        if node.op == "dense" and node.name != program.outputs["flags"]:
            weights = matrix(node.attributes, "weights")
            _, width = narrowest(w for row in weights for w in row)
            if {w for row in weights for w in row} != {1}:
                what = f"{len(weights)} x {len(weights[0])} weights of {8 * width} bits"
                layers.append((comment_text(node.name), what))
    long = max((len(name) for name, _ in layers), default=0)
    return "\n".join(f" *   {name:<{long}}   {what}" for name, what in layers) or " *   None."


def header_gaps(
    program: Program,
    prefix: str,
    layout: MemoryLayout,
    tables: Tables,
    volume: VolumeTable | None,
    unproven: Sequence[str] = (),
) -> dict[str, str]:
    """The gaps of the header template that follow from the program."""
    return {
        "cautions": "\n *\n".join(
            comment_block(text, " *   ") for text in (*CAUTIONS, *_not_enough_evidence(unproven))
        ),
        "reading": comment_block(_reading(program, prefix.upper())),
        "channels": str(program.channels),
        "count_bits": str(program.count_bits),
        "trim_counts": str(program.trim_size),
        "trim_kinds": ", then ".join(f"{kind} by channel" for kind in program.trim_kinds),
        "period_ms": str(program.period_ms),
        "tolerance": str(program.period_tolerance_pct),
        "settling": str(program.settling_frames),
        "temperature_low": str(TEMPERATURE_RANGE[0]),
        "temperature_high": str(TEMPERATURE_RANGE[1]),
        "no_temperature": str(NO_TEMPERATURE),
        **_pour_gaps(program, prefix.upper()),
        "units": str(LEVEL_UNITS_PER_MM),
        "span": str(program.span),
        "no_level": str(NO_LEVEL),
        "flags": "\n".join(
            f"#define {prefix.upper()}_FLAG_{name.upper()} {bit}U /* {_FLAG_MEANING[name]} */"
            for name, bit in FLAG_BITS.items()
        ),
        "reasons": "\n".join(
            f"#define {prefix.upper()}_REASON_{name.upper()} {code}U /* {_REASON_MEANING[name]} */"
            for code, name in REASON_NAMES.items()
        ),
        "state_size": str(layout.state.size),
        "prepared_size": str(layout.prepared.size),
        "scratch_size": str(layout.scratch.size),
        "state_values": str(layout.state.elements),
        "tables_length": str(layout.tables.size),
        "kind_macros": _kind_macros(prefix),
        "trim_answers": _answer_macros(prefix),
        "api_version": str(API_VERSION),
        "identity_bytes": str(IDENTITY_BYTES),
        "identity_format": str(IDENTITY_FORMAT),
        "gate_macros": _gate_macros(prefix),
        "tables_crc": f"0x{tables.crc:08X}",
        "count_type": count_type(program),
        "state_members": _members(layout.state),
        "prepared_members": _members(layout.prepared),
        "scratch_members": _members(layout.scratch),
        "reading_members": _reading_members(layout.reading, prefix.upper()),
        "trim_contract": _trim_contract(program),
        "volume_api": "" if volume is None else _volume_api(volume, prefix),
        **_record_gaps(program),
    }


def _pour_gaps(program: Program, macros: str) -> dict[str, str]:
    """What the header says of the seconds since the last pour; nothing for a program that is not told."""
    if not program.longest_pour_s:
        return dict.fromkeys(("pour_macros", "pour_meaning", "since_pour"), "")
    return {
        "since_pour": since_pour_parameter(program),
        "pour_macros": (
            f"#define {macros}_LONGEST_POUR_S {program.longest_pour_s} "
            "/* what is longer ago counts as this long */\n"
            f"#define {macros}_NO_POUR ({NO_POUR}) /* pass this while the appliance does not know */\n"
        ),
        "pour_meaning": _meaning("since_pour", fill(_POUR_MEANING, {"PREFIX": macros})),
    }


def since_pour_parameter(program: Program) -> str:
    """The parameter of step for the seconds since the last pour, between two others; empty where the program
    is not told.
    """
    return " int32_t since_pour," if program.longest_pour_s else ""


_POUR_MEANING = (
    "whole seconds since liquid last came in, 0 while it does: a clock that the inlet sets to 0 and nothing "
    "stops; or @PREFIX@_NO_POUR, as from power-on to the first pour, or where nobody knows; what is below "
    "that is outside the domain. The scores of foam and film alone are told by it, and through them which "
    "level counts and how much doubt is let pass. With @PREFIX@_NO_POUR the model answers as it was trained "
    "to on frames of which it was not told."
)


def _meaning(name: str, text: str) -> str:
    """Lines of a comment on a parameter, its name beside them."""
    lines = comment_block(text, " *" + 17 * " ").split("\n")
    return f" *   {name:<14}{lines[0][19:]}\n" + "".join(f"{line}\n" for line in lines[1:])


def _record_gaps(program: Program) -> dict[str, str]:
    """The layout of a stored trim of this sensor."""
    width = count_width(program.count_bits)
    gaps = {f"at_{name}": str(offset) for name, offset in OFFSETS.items()}
    return gaps | {
        "sensor": f"0x{program.sensor_key:08X}",
        "serial_length": str(SERIAL_LENGTH),
        "count_scale": str(program.count_scale),
        "scale_meaning": _scale_meaning(program.count_scale),
        "trim_magic": f"0x{MAGIC:08X}",
        "trim_format": str(RECORD_FORMAT),
        "at_crc": str(crc_offset(program.channels, width)),
        "trim_length": str(record_length(program.channels, width)),
        "count_width": str(width),
    }


def _scale_meaning(scale: int) -> str:
    if scale == 1:
        return "counts are given as read"
    return f"counts are given as the board's values x {scale}, rounded to whole numbers, and so are trims"


def _not_enough_evidence(unproven: Sequence[str]) -> list[str]:
    if not unproven:
        return []
    return [f"NOT ENOUGH EVIDENCE, exported all the same. {'; '.join(unproven)}."]


_VOLUME_API = """
#define @PREFIX@_NO_VOLUME (-1)
@note@
int32_t @prefix@_volume_ml(int32_t level);
"""


def _volume_api(volume: VolumeTable, prefix: str) -> str:
    text = (
        f"Millilitres above the datum of tank {volume.tank} for a level, low or high of a reading: "
        f"{len(volume.values) - 1} straight pieces, never falling, within {volume.error_ml:.2f} mL of the "
        f"tank's profile; {prefix.upper()}_NO_VOLUME for anything outside 0 to {prefix.upper()}_SPAN, so "
        "for the level of a withheld reading. What lies below the datum is not counted, nor the error of "
        "the level itself."
    )
    return fill(
        _VOLUME_API,
        {"prefix": prefix, "PREFIX": prefix.upper(), "note": "/*\n" + comment_block(text) + "\n */"},
    )


def _members(struct: Struct) -> str:
    return "\n".join(
        f"    {member.declaration}" + (f" /* {member.comment} */" if member.comment else "")
        for member in struct.members
    )


def _reading_members(struct: Struct, macros: str) -> str:
    comments = {
        "validity": f"{macros}_WITHHELD, {macros}_VALID or {macros}_EMPTY",
        "flags": f"{macros}_FLAG_...",
        "reason": f"{macros}_REASON_..., why it is withheld",
    }
    width = max(len(member.declaration) for member in struct.members if member.name in comments)
    lines = [
        f"{member.declaration:{width}} /* {comments[member.name]} */"
        if member.name in comments
        else member.declaration
        for member in struct.members
    ]
    return "\n".join(f"    {line}" for line in lines)


def count_type(program: Program) -> str:
    return "uint16_t" if program.count_bits <= 16 else "uint32_t"


def _trim_contract(program: Program) -> str:
    trim = program.trim
    if trim is None:
        return comment_block("This model uses none: pass null; the answer is true.")
    pairs = list(zip(trim.low, trim.high, strict=True))
    swings = _swing_contract(program)
    if len(set(pairs)) == 1:
        return comment_block(f"Accepted are counts from {pairs[0][0]} to {pairs[0][1]}.{swings}")
    parts = []
    for k, kind in enumerate(program.trim_kinds):
        own = pairs[k * program.channels : (k + 1) * program.channels]
        ranges = [f"{low} to {high}" for low, high in own]
        parts.append(
            f"{kind} counts " + (ranges[0] if len(set(own)) == 1 else f"by channel {', '.join(ranges)}")
        )
    return comment_block(f"Accepted are {'; '.join(parts)}.{swings}")


def _swing_contract(program: Program) -> str:
    """The swings that are accepted, by channel; empty where any is."""
    if program.swing is None:
        return ""
    first, second = program.trim_kinds[:2]
    ranges = [f"{low} to {high}" for low, high in zip(program.swing.low, program.swing.high, strict=True)]
    return f" The {second} count less the {first} count must be, by channel, {', '.join(ranges)}."


_KIND_MEANING = {
    TrimKind.BOARD: "the board alone",
    TrimKind.DRY: "assembled, the tank dry",
    TrimKind.BLOCK: "a surrogate block against the pads",
    TrimKind.PARTIAL: "filled to a known level",
    TrimKind.FULL: "full",
    TrimKind.LEARNED: "learned in service",
}


def _kind_macros(prefix: str) -> str:
    """The number of each kind of trim."""
    return "\n".join(
        f"#define {prefix.upper()}_TRIM_KIND_{kind.upper()} {code}U /* {_KIND_MEANING[kind]} */"
        for kind, code in KIND_CODES.items()
    )


_ANSWER_MEANING = {
    TrimAnswer.OK: "",
    TrimAnswer.NO_KIND: "no record of a kind that this model uses",
    TrimAnswer.BAD_MAGIC: "never written, or something else",
    TrimAnswer.BAD_FORMAT: "",
    TrimAnswer.BAD_SENSOR: "written for another sensor",
    TrimAnswer.BAD_CRC: "damaged, or not written to the end",
    TrimAnswer.BAD_SWING: (
        "from one kind to the other a channel moves less, or more, than any unit that the model was made from"
    ),
    TrimAnswer.BAD_SHAPE: "other channels, or other bytes of a count, than this sensor has",
    TrimAnswer.BAD_SCALE: "counts in a scale that this model does not know",
    TrimAnswer.OTHER_UNIT: "a record of another unit is among them",
}


def _answer_macros(prefix: str) -> str:
    """The number of each answer to stored trims."""
    return "\n".join(
        f"#define {prefix.upper()}_TRIM_{answer.name} {answer.value}U"
        + (f" /* {meaning} */" if (meaning := _ANSWER_MEANING[answer]) else "")
        for answer in TrimAnswer
    )


def _gate_macros(prefix: str) -> str:
    """The bit of each gate in the identity."""
    return "\n".join(
        f"#define {prefix.upper()}_GATE_{name.upper()} {bit}U /* {GATE_MEANING[name]} */"
        for name, bit in GATE_BITS.items()
    )
