"""What ``trim_check`` of a program's C answers to bytes, worked out here."""

from __future__ import annotations

import numpy as np

from dataset.words import TrimKind
from export.trim_bytes import (
    FIELD_FORMAT,
    HEAD_LENGTH,
    KIND_CODES,
    OFFSETS,
    TrimAnswer,
    fault_of,
    fits_of,
    record_length,
    serial_field,
    stored_counts,
)
from training.program import Program, accepted

_WORD = 4  # behind what is no record, one may begin at the next word


def trim_answer(
    program: Program, content: bytes, serial: str | None = None
) -> tuple[TrimAnswer, tuple[int | None, ...]]:
    """The answer to ``content`` in the memory of the unit of that serial (None: the board knows none), and
    the counts, trim size of them: None for each that was not written.

    Raises InputError for a serial that no record can hold.
    """
    own = None if serial is None else serial_field(serial)
    if program.trim is None:
        return TrimAnswer.OK, ()
    places = {KIND_CODES[TrimKind(kind)]: k for k, kind in enumerate(program.trim_kinds)}
    counts: list[int | None] = [None] * program.trim_size
    fits, answer, strange, at = fits_of(program), TrimAnswer.NO_KIND, False, 0
    while len(content) - at >= HEAD_LENGTH:
        record = content[at:]
        fault = fault_of(record, fits)
        if fault is not None:
            answer, at = max(answer, fault.answer), at + _WORD
            continue
        number = record[OFFSETS["format"]]
        if number != FIELD_FORMAT:
            field = record[OFFSETS["serial"] : OFFSETS["counts"]]
            own = field if own is None else own
            strange = strange or field != own
        place = places.get(record[OFFSETS["kind"]])
        if place is not None:
            start = place * program.channels
            counts[start : start + program.channels] = stored_counts(record)
        at += record_length(fits.channels, fits.width, number)
    if strange:
        answer = TrimAnswer.OTHER_UNIT
    elif None not in counts:
        passes = bool(accepted(program, np.asarray([counts], dtype=np.int64))[0])
        answer = TrimAnswer.OK if passes else TrimAnswer.BAD_SWING
    return answer, tuple(counts)
