"""Trims outside the limits that a program declares: said by unit, kind and pad, before anything is run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dataset.errors import InputError
from dataset.records import FrozenData, Mounting, TrimKind
from training.program import Program
from training.rows import Mask


def of_model(name: str) -> str:
    """What sets the limits, where a model does."""
    return f"the limits of trims that model {name} declares"


def refuse_trim(
    program: Program, counts: Sequence[int], mounting: Mounting, where: str, whose: str, hint: str
) -> None:
    """Raise InputError for the first of a trim's counts that is outside what the program declares.

    Args:
        program: one that takes no trim refuses none.
        counts: kind after kind, each in the order of the channels.
        mounting: whose sensor names the channels.
        where: whose trim it is, such as 'unit u1'.
        whose: what sets the limits, such as 'the limits of trims that model m declares'.
        hint: what to do next.
    """
    names = [
        f"{kind} trim, pad {pad}" for kind in program.trim_kinds for pad in mounting.sensor.channel_names
    ]
    if program.trim is None or len(counts) != program.trim.size or len(names) != len(counts):
        return  # of another board: the program itself says so
    for name, count, low, high in zip(names, counts, program.trim.low, program.trim.high, strict=True):
        if not low <= count <= high:
            raise InputError(f"{where}, {name}", str(count), f"{low} to {high}, {whose}", hint)


def refuse_trims(program: Program, data: FrozenData, rows: Mask, whose: str, hint: str) -> None:
    """Raise InputError for the first trim of the chosen rows' units that is outside what the program
    declares; one that is lacking is let pass.
    """
    for k in np.unique(data.session[rows]):
        captured = data.frozen.sessions[int(k)]
        trims = [data.trim(int(k), TrimKind(kind)) for kind in program.trim_kinds]
        counts = [count for trim in trims if trim is not None for count in trim.counts]
        refuse_trim(
            program,
            counts,
            captured.mounting,
            f"unit {captured.unit.name} on mounting {captured.mounting.name}",
            whose,
            hint,
        )
