"""A model's frames through ``innage replay`` and through the interpreter, beside onnxruntime on the same
program, exported with a Scan over time.

``replay`` takes one stream as the command does, by C that an earlier call has compiled; ``replays`` takes as
many streams as a store has sessions, a call each, and compiles in the first of them. The interpreter holds
the C to its readings and states in both. The interpreter alone takes many streams side by side. The session
of onnxruntime is loaded before its clock starts, with one thread. The weights of the program are drawn, not
trained; every reading must be the same.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from measuring import Goal, Row, Way, in_turns, timed_row
from net_program import PADS, net_program

from dataset.records import Frames
from export.compilers.replaying import forget_compiled, replay_on_host
from export.evidence.drawing import make_vectors
from export.onnx.graph import emit_scan_onnx
from export.onnx.run import in_onnxruntime, run_scan
from export.vectors import Vectors, expect
from innage.jobs.models.replaying import replay
from training.program import (
    LEVEL_UNITS_PER_MM,
    NO_LEVEL,
    NO_TEMPERATURE,
    OUTPUTS,
    Array,
    Program,
    initial_state,
    prepare,
)

FRAMES, QUICK_FRAMES, ROUNDS = 20_000, 200, 3
STREAMS, STREAM_FRAMES = 280, 768  # as many sessions as the demo has, each as long
TRIM = np.asarray((10_000,) * PADS + (30_000,) * PADS)  # dry, then full


def stream(frames: int, seed: int = 1) -> Frames:
    """Counts that wander, as of a level that does."""
    steps = np.random.default_rng(seed).integers(-50, 51, (frames, PADS))
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
        _sessions_row(program, quick),
        _row("interpreter", f"interpreter, {streams} streams", "onnxruntime, Scan of as many streams", many),
    ]


def _sessions_row(program: Program, quick: bool) -> Row:
    """Many sessions, a call each, with nothing compiled before, beside a call each of onnxruntime."""
    streams, frames = (3, 20) if quick else (STREAMS, STREAM_FRAMES)
    recorded = [stream(frames, seed) for seed in range(streams)]
    runtime = in_onnxruntime(emit_scan_onnx(program))

    def ours(_: object) -> Array:
        tables = [replay(program, one, TRIM) for one in recorded]
        return np.concatenate([table["level_mm"].to_numpy() for table in tables])

    def theirs(_: object) -> Array:
        levels = np.concatenate([runtime(_whole(program, one))["level"].ravel() for one in recorded])
        return np.where(levels == NO_LEVEL, np.nan, levels / LEVEL_UNITS_PER_MM)

    with nothing_kept() as forget:
        runs = in_turns(
            {"ours": Way(ours, prepare=forget), "onnxruntime": Way(theirs)}, 1 if quick else ROUNDS
        )
    return timed_row(
        "replays",
        f"innage.replay of {streams} sessions of {frames} frames, a call each",
        "onnxruntime, Scan of one stream, a call each",
        "time",
        (runs["ours"], runs["onnxruntime"]),
        goal=Goal(15, at_least=False, seconds=True),
        equal=np.array_equal(runs["ours"].result, runs["onnxruntime"].result, equal_nan=True),
        compared="every level",
    )


@contextmanager
def nothing_kept() -> Iterator[Callable[[], None]]:
    """A cache folder of its own, and a function that empties it and what is kept in memory."""
    before = os.environ.get("INNAGE_CACHE")
    with tempfile.TemporaryDirectory() as folder:
        os.environ["INNAGE_CACHE"] = folder

        def forget() -> None:
            for room in Path(folder).iterdir():
                shutil.rmtree(room)
            forget_compiled()

        try:
            yield forget
        finally:
            os.environ.pop("INNAGE_CACHE")
            if before is not None:
                os.environ["INNAGE_CACHE"] = before


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
