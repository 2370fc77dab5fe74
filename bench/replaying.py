"""A model's frames through ``innage replay`` and through the interpreter, beside onnxruntime on the same
program, exported with a Scan over time.

``replay`` takes one stream as the command does: the C is compiled, the first frames are computed by the
interpreter as well, then all of them by the C. The interpreter takes many streams side by side. The session
of onnxruntime is loaded before its clock starts, with one thread. The weights of the program are drawn, not
trained; every reading must be the same.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from measuring import Row, Way, in_turns, timed_row
from net_program import PADS, net_program

from dataset.records import Frames
from export.compilers.replaying import replay_on_host
from export.evidence.drawing import make_vectors
from export.onnx.graph import emit_scan_onnx
from export.onnx.run import in_onnxruntime, run_scan
from export.vectors import Vectors, expect
from training.program import NO_TEMPERATURE, OUTPUTS, Array, Program, initial_state, prepare

FRAMES, QUICK_FRAMES, ROUNDS = 20_000, 200, 3
TRIM = np.asarray((10_000,) * PADS + (30_000,) * PADS)  # dry, then full


def stream(frames: int) -> Frames:
    """Counts that wander, as of a level that does."""
    steps = np.random.default_rng(1).integers(-50, 51, (frames, PADS))
    return Frames(
        np.arange(frames) * 100, np.clip(20_000 + np.cumsum(steps, axis=0), 0, 65_535).astype(np.uint32), None
    )


def replay_rows(quick: bool) -> list[Row]:
    """One stream through the C, many through the interpreter."""
    program, frames = net_program(), QUICK_FRAMES if quick else FRAMES
    runtime = in_onnxruntime(emit_scan_onnx(program))
    recorded, vectors, rounds = stream(frames), make_vectors(program, frames), 1 if quick else ROUNDS
    given = _whole(program, recorded)
    single = in_turns(
        {
            "ours": Way(lambda _: replay_on_host(program, recorded, TRIM).readings),
            "onnxruntime": Way(lambda _: _table(runtime(given))),
        },
        rounds,
    )
    many = in_turns(
        {
            "ours": Way(lambda _: _interpreted(program, vectors)),
            "onnxruntime": Way(lambda _: run_scan(runtime, program, vectors)[0]),
        },
        rounds,
    )
    streams = len(vectors) // vectors.stream_frames
    return [
        _row("replay", f"innage replay, {frames} frames", "onnxruntime, Scan of one stream", single),
        _row("interpreter", f"interpreter, {streams} streams", "onnxruntime, Scan of as many streams", many),
    ]


def _row(name: str, ours: str, baseline: str, runs: dict[str, Any]) -> Row:
    equal = np.array_equal(runs["ours"].result, runs["onnxruntime"].result)
    return timed_row(
        name,
        ours,
        baseline,
        "frames/s",
        (runs["ours"], runs["onnxruntime"]),
        equal=equal,
        compared="every reading",
    )


def _whole(program: Program, recorded: Frames) -> dict[str, Array]:
    """One stream as the Scan takes it, (frames, 1, width)."""
    n = len(recorded)
    return {
        "counts": recorded.counts.astype(np.int64)[:, None, :],
        "temperature": np.full((n, 1, 1), NO_TEMPERATURE),
        "faults": np.zeros((n, 1, 1), np.int64),
        "state": initial_state(program),
        "prepared": prepare(program, TRIM[None]),
    }


def _table(outputs: dict[str, Array]) -> Array:
    """Readings of one stream, (frames, 5)."""
    return np.concatenate([outputs[name] for name in OUTPUTS], axis=2)[:, 0]


def _interpreted(program: Program, vectors: Vectors) -> Array:
    frames = vectors.stream_frames
    counts, temperature, faults = (
        part.reshape(-1, frames, width)
        for part, width in ((vectors.counts, PADS), (vectors.temperature, 1), (vectors.faults, 1))
    )
    return expect(program, frames, vectors.trim[::frames], counts, temperature, faults).readings
