"""The float model beside the program: how far apart their levels are on fills that are held still.

The float model sees one frame of counts that stand still; the program is run on the same counts from power-on
until its means have settled. What is left between the two is the rounding of weights, tables and features.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from export.evidence.fills import middle_trim, tank_fills
from export.onnx.run import float_levels
from training.program import (
    LEVEL_UNITS_PER_MM,
    NO_LEVEL,
    OUTPUTS,
    Array,
    Program,
    initial_state,
    prepare,
    step,
)

_TEMPERATURE = 200  # tenths of a degree Celsius
_LONGEST = 96  # frames that a fill is held, besides the settling
_STILL = 8  # frames over which the level must not move any more


@dataclass(frozen=True)
class Apart:
    """Over ``fills``: the median and the greatest difference of the two levels, mm to three digits."""

    fills: int
    median_mm: float
    most_mm: float


def apart(program: Program, float_onnx: bytes) -> Apart | None:
    """How far the float model and the program are apart; None where the float model takes other inputs, or no
    fill leads to a level that stays.

    The program's level is taken before it is withheld, since fills that are made up may be unlike any that it
    was fitted to. Raises ToolError when onnxruntime refuses the float model.
    """
    trim, counts = middle_trim(program), tank_fills(program)
    rows = (
        counts if trim is None else np.column_stack([counts, np.broadcast_to(trim, (len(counts), len(trim)))])
    )
    level = float_levels(float_onnx, rows)
    if level is None and trim is not None:
        level = float_levels(float_onnx, counts)
    held, stays = _held(program, counts, trim)
    if level is None or not stays.any():
        return None
    distance = np.abs(held[stays] / LEVEL_UNITS_PER_MM - level[stays])
    median, most = (float(f"{value:.3g}") for value in (np.median(distance), distance.max()))
    return Apart(int(stays.sum()), median, most)


def _held(program: Program, counts: Array, trim: Array | None) -> tuple[Array, Array]:
    """The level of each fill in the end, and whether it is one and has come to rest."""
    shown = _never_withheld(program)
    prepared = prepare(shown, None if trim is None else trim[None])
    state = initial_state(shown, len(counts))
    warm, faults = np.full(len(counts), _TEMPERATURE, dtype=np.int64), np.zeros(len(counts), dtype=np.int64)
    levels = []
    frames = min(program.settling_frames, _LONGEST) + _LONGEST if program.states else _STILL
    for _ in range(frames):
        reading, state = step(shown, counts, warm, faults, state, prepared)
        levels.append(reading.table()[:, OUTPUTS.index("level")])
    last = np.stack(levels[-_STILL:])
    return last[-1], (last == last[-1]).all(axis=0) & (last[-1] > 0)


def _never_withheld(program: Program) -> Program:
    """The program with the level that it hands out before the choice between it and none."""
    nodes = {node.name: node for node in program.step}
    name = program.outputs["level"]
    while (node := nodes.get(name)) is not None and node.op == "where":
        none = [i for i in node.inputs[1:] if i in nodes and nodes[i].attributes.get("values") == (NO_LEVEL,)]
        if len(none) != 1:
            break
        name = next(i for i in node.inputs[1:] if i != none[0])
    return replace(program, outputs={**program.outputs, "level": name})
