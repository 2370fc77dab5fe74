"""A stream of frames through the exported C, compiled for this computer: what the chip would have said, frame
by frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError, ToolError
from dataset.records import Frames
from export.c.source import emit_c
from export.compilers.toolchain import build_host, run_rows
from training.judging.streams import restarts as steps_outside
from training.program import NO_TEMPERATURE, OUTPUTS, Array, Program, run
from training.program.model import TEMPERATURE_RANGE

CROSS_CHECKED = 1000  # frames that the interpreter computes as well: a difference would show long before
_PER_DEGREE = 10


@dataclass(frozen=True)
class Replayed:
    """``readings`` int64 (n, 6) in the order of ``OUTPUTS``; ``restarts`` int64: frames before which the step
    was outside the tolerance.

    ``steps_ms`` are those steps.
    """

    readings: Array
    restarts: Array
    steps_ms: Array


def replay_on_host(program: Program, frames: Frames, trim: NDArray[np.int64] | None = None) -> Replayed:
    """Readings of ``frames`` from power-on at the first of them; a step in time outside the program's
    tolerance starts anew, as firmware has to.

    ``trim`` int64 (trim size,), None for a program without. Raises InputError for frames outside the declared
    domain or a missing trim, ToolError where the C stops or says other than the interpreter on the first
    frames.
    """
    counts = np.asarray(frames.counts, np.int64)
    warm = _tenths(frames)
    restarts = steps_outside(
        np.asarray(frames.t_ms, np.int64), program.period_ms, program.period_tolerance_pct
    )
    first = np.zeros(len(frames), np.int64)
    first[[0, *restarts] if len(frames) else []] = 1
    its_trim = np.zeros(0, np.int64) if program.trim is None else trim
    head = _interpreted(program, counts, warm, first, trim)
    if its_trim is None:
        raise InputError("trim", "none given", "one count per channel of " + " and ".join(program.trim_kinds))
    rows = _rows(first, its_trim, np.column_stack([counts, warm, np.zeros_like(first)]))
    readings, _ = run_rows(build_host(emit_c(program)), rows, len(frames))
    if not np.array_equal(readings[: len(head)], head):
        frame = int(np.argmax((readings[: len(head)] != head).any(axis=1)))
        raise ToolError(
            "the C on this computer",
            f"{readings[frame].tolist()} at frame {frame}",
            f"{head[frame].tolist()}, as the interpreter has it",
        )
    return Replayed(readings, restarts, np.diff(frames.t_ms)[restarts - 1])


def _rows(first: Array, trim: Array, inputs: Array) -> bytes:
    """Rows as the harness reads them: the trim stands where a stream starts."""
    beginning = ",".join(map(str, ["1", *trim.tolist()]))
    lines = (
        f"{beginning if starts else '0'},{','.join(map(str, row))}"
        for starts, row in zip(first.tolist(), inputs.tolist(), strict=True)
    )
    return "\n".join([*lines, ""]).encode()


def _tenths(frames: Frames) -> Array:
    if frames.temperature_c is None:
        return np.full(len(frames), NO_TEMPERATURE, np.int64)
    missing = np.isnan(frames.temperature_c)
    tenths = np.where(
        missing, NO_TEMPERATURE, np.rint(np.nan_to_num(frames.temperature_c) * _PER_DEGREE)
    ).astype(np.int64)
    low, high = TEMPERATURE_RANGE
    wrong = (tenths < low) | (tenths > high)
    if wrong.any():
        frame = int(np.argmax(wrong))
        raise InputError(
            f"temperature of frame {frame}",
            f"{tenths[frame] / _PER_DEGREE:g} C",
            f"{low / _PER_DEGREE:g} to {high / _PER_DEGREE:g} C",
        )
    return tenths


def _interpreted(
    program: Program, counts: Array, warm: Array, first: Array, trim: NDArray[np.int64] | None
) -> Array:
    """The interpreter's readings of the first frames, restarts included."""
    end = min(CROSS_CHECKED, len(counts))
    edges = [*np.flatnonzero(first[:end]).tolist(), end]
    pieces = [run(program, counts[a:b], warm[a:b], None, trim).table() for a, b in pairwise(edges)]
    return np.concatenate(pieces) if pieces else np.zeros((0, len(OUTPUTS)), np.int64)
