"""A stream of frames through the exported C, compiled for this computer: what the chip would have said, frame
by frame.

The C prints its state behind each frame, so the interpreter can take any frame by itself: from the state
that the C was in before it, both must come to the same reading and the same next state. As a stream begins
with the state at power-on, that holds the C to the interpreter on every frame of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError, ProgramError, ToolError
from dataset.records import Frames
from export.c.source import emit_c
from export.compilers.host_build import HostProgram, kept_host
from export.compilers.streamed import run_pieces
from training.judging.streams import restarts as steps_outside
from training.program import NO_TEMPERATURE, OUTPUTS, Array, Program, digest, initial_state, prepare
from training.program.interpreter import check_inputs, given_inputs, not_known, step
from training.program.model import TEMPERATURE_RANGE

AT_ONCE = 4096  # frames that are looked at together, which bounds the memory of a long log
_PROGRAMS = 8  # whose C is kept in memory
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


def replay_on_host(
    program: Program,
    frames: Frames,
    trim: NDArray[np.int64] | None = None,
    since_pour: NDArray[np.int64] | None = None,
) -> Replayed:
    """Readings of ``frames`` from power-on at the first of them; a step in time outside the program's
    tolerance starts anew, as firmware has to.

    ``trim`` int64 (trim size,), None for a program without; ``since_pour`` int64 (n,) the seconds since the
    last pour, None: not known, and of no matter to a program that is not told.

    Raises InputError for frames outside the declared
    domain or a missing trim, ToolError where the C stops or says other than the interpreter.
    """
    restarts = steps_outside(
        np.asarray(frames.t_ms, np.int64), program.period_ms, program.period_tolerance_pct
    )
    first = np.zeros(len(frames), np.int64)
    first[[0, *restarts] if len(frames) else []] = 1
    stream = _Stream(program, frames.counts, _tenths(frames), first, since_pour)
    for at in stream.pieces:
        check_inputs(program, stream.inputs(at), at.start)
    prepared = prepare(program, None if trim is None else trim[None])
    stated = np.zeros(0, np.int64) if program.trim is None or trim is None else trim
    texts = (stream.rows(at, stated) for at in stream.pieces)
    sizes = [at.stop - at.start for at in stream.pieces]
    readings = np.empty((len(frames), len(OUTPUTS)), np.int64)
    last = initial_state(program)
    answers = run_pieces(_built(_Keyed(digest(program), program)), texts, sizes)
    for at, (came, states) in zip(stream.pieces, answers, strict=True):
        _hold_to_the_interpreter(program, stream, at, prepared, np.hstack([came, states]), last)
        readings[at], last = came, states[-1:]
    return Replayed(readings, restarts, np.diff(frames.t_ms)[restarts - 1])


@dataclass(frozen=True)
class _Keyed:
    """A program that equals every other one of its digest."""

    digest: str
    program: Program = field(compare=False)


@lru_cache(maxsize=_PROGRAMS)
def _built(keyed: _Keyed) -> HostProgram:
    """The program's C with its harness, compiled now or earlier."""
    return kept_host(emit_c(keyed.program))


def forget_compiled() -> None:
    """Let go of what is in memory; what the cache folder keeps stays."""
    _built.cache_clear()


@dataclass(frozen=True)
class _Stream:
    """What the C is given: ``counts`` (n, channels), ``warm`` (n,) tenths of a degree, ``first`` (n,), 1
    where it starts anew, and ``pours`` (n,) seconds, None: not known.
    """

    program: Program
    counts: NDArray[np.integer]
    warm: Array
    first: Array
    pours: Array | None

    @property
    def pieces(self) -> list[slice]:
        """The frames that are looked at together."""
        frames = len(self.first)
        return [slice(start, min(start + AT_ONCE, frames)) for start in range(0, frames, AT_ONCE)]

    def inputs(self, at: slice) -> dict[str, Array]:
        """What the program is given in these frames, by the names of its inputs."""
        counts, warm = np.asarray(self.counts[at], np.int64), self.warm[at]
        pours = None if self.pours is None else self.pours[at]
        return given_inputs(self.program, counts, warm, np.zeros_like(warm), pours)

    def rows(self, at: slice, trim: Array) -> bytes:
        """These frames as the harness reads them: the trim stands where a stream starts."""
        beginning = ",".join(map(str, ["1", *trim.tolist()]))
        inputs = np.column_stack(list(self.inputs(at).values()))
        lines = (
            f"{beginning if starts else '0'},{','.join(map(str, row))}"
            for starts, row in zip(self.first[at].tolist(), inputs.tolist(), strict=True)
        )
        return "\n".join([*lines, ""]).encode()


def _hold_to_the_interpreter(
    program: Program, stream: _Stream, at: slice, prepared: Array, came: Array, last: Array
) -> None:
    """ToolError where the interpreter comes from the C's state before a frame to another reading, or to
    another state behind it: ``came`` (frames, outputs and state) are the C's, ``last`` the state before them.
    """
    states = came[:, len(OUTPUTS) :]
    before = np.concatenate([last, states[:-1]])
    before[stream.first[at] == 1] = initial_state(program)
    given = stream.inputs(at)
    inputs = given["counts"], given["temperature"][:, 0], given["faults"][:, 0]
    try:
        reading, after = step(
            program, *inputs, before, prepared, not_known(stream.pours, len(stream.first))[at]
        )
    except (InputError, ProgramError) as error:  # of a state that no program can be in
        raise ToolError("the C on this computer", f"a state that cannot be ({error})") from error
    expected = np.hstack([reading.table(), after])
    differs = (came != expected).any(axis=1)
    if differs.any():
        k = int(np.argmax(differs))
        raise ToolError(
            "the C on this computer",
            f"{came[k].tolist()} at frame {at.start + k}, reading and state",
            f"{expected[k].tolist()}, as the interpreter has it",
        )


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
