"""Trims outside the limits that a model declares: said by unit, kind and pad, before anything is run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataset.records import FrozenData, Model, Mounting
    from training.program import Program
    from training.rows import Mask


def refuse_trim(model: Model, program: Program, counts: Sequence[int], mounting: Mounting, where: str, hint: str) -> None:
    """Raise InputError for the first of a trim's counts that is outside what the program declares.

    Args:
        model: named in the sentence.
        program: the model's; one that takes no trim refuses none.
        counts: kind after kind, each in the order of the channels.
        mounting: whose sensor names the channels.
        where: whose trim it is, such as 'unit u1'.
        hint: what to do next.
    """
    from dataset.errors import InputError

    names = [f"{kind} trim, pad {pad}" for kind in program.trim_kinds for pad in mounting.sensor.channel_names]
    if program.trim is None or len(counts) != program.trim.size or len(names) != len(counts):
        return  # of another board: the program itself says so
    for name, count, low, high in zip(names, counts, program.trim.low, program.trim.high, strict=True):
        if not low <= count <= high:
            raise InputError(f"{where}, {name}", str(count), f"{low} to {high}, the limits of trims that model {model.name} declares", hint)


def refuse_trims(model: Model, program: Program, data: FrozenData, rows: Mask, hint: str) -> None:
    """Raise InputError for the first trim of the chosen rows' units that is outside what the program declares; one that is lacking is let pass."""
    import numpy as np

    from dataset.records import TrimKind

    for k in np.unique(data.session[rows]):
        its = data.frozen.sessions[int(k)]
        trims = [data.trim(int(k), TrimKind(kind)) for kind in program.trim_kinds]
        counts = [count for trim in trims if trim is not None for count in trim.counts]
        refuse_trim(model, program, counts, its.mounting, f"unit {its.unit.name} on mounting {its.mounting.name}", hint)
