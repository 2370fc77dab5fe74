"""The gate of trims: which swings of a unit's own trim, the second kind's count less the first's, a program
accepts.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from training.program.model import Program
from training.program.ops import Array, Interval

REFUSED_SWING = "a unit with such a trim is refused at start-up: take the trim again, or look at the pad"


def accepted(program: Program, trims: Array) -> NDArray[np.bool_]:
    """Which trims, (n, trim size), pass the gate, (n,)."""
    if program.swing is None:
        return np.ones(len(trims), dtype=np.bool_)
    return np.asarray(_inside(program, program.swing, trims).all(axis=1), dtype=np.bool_)


def refuse_swing(program: Program, trims: Array, where: str, names: tuple[str, ...] = ()) -> None:
    """Raise InputError for the first swing that is refused; ``names`` are those of the channels' pads."""
    if program.swing is None:
        return
    wrong = np.argwhere(~_inside(program, program.swing, trims))
    if not wrong.size:
        return
    row, channel = (int(v) for v in wrong[0])
    pad = f"pad {names[channel]}" if names else f"channel {channel}"
    first, second = (int(trims[row, channel + at]) for at in (0, program.channels))
    raise InputError(
        f"{where}, {pad}, {program.trim_kinds[1]} less {program.trim_kinds[0]}",
        f"{second} - {first} = {second - first}",
        f"a swing from {program.swing.low[channel]} to {program.swing.high[channel]}",
        REFUSED_SWING,
    )


def into_gate(program: Program, trims: Array) -> Array:
    """Trims inside the limits, (n, trim size), moved as little as needed for their swings to be accepted."""
    if program.swing is None or program.trim is None:
        return trims
    n = program.channels
    low, high = (np.asarray(part) for part in (program.trim.low, program.trim.high))
    least, most = np.asarray(program.swing.low), np.asarray(program.swing.high)
    moved = trims.copy()
    first, second = slice(0, n), slice(n, 2 * n)
    moved[:, first] = np.clip(
        moved[:, first],
        np.maximum(low[first], low[second] - most),
        np.minimum(high[first], high[second] - least),
    )
    moved[:, second] = np.clip(
        moved[:, second],
        np.maximum(low[second], moved[:, first] + least),
        np.minimum(high[second], moved[:, first] + most),
    )
    return moved


def _inside(program: Program, swing: Interval, trims: Array) -> NDArray[np.bool_]:
    n = program.channels
    rise = trims[:, n : 2 * n] - trims[:, :n]
    return np.asarray((rise >= np.asarray(swing.low)) & (rise <= np.asarray(swing.high)), dtype=np.bool_)
