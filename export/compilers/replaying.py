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
from export.compilers.toolchain import HostProgram, kept_host, run_rows
from training.judging.streams import restarts as steps_outside
from training.program import NO_TEMPERATURE, Array, Program, digest, initial_state, prepare
from training.program.interpreter import check_inputs, given_inputs, not_known, step
from training.program.model import TEMPERATURE_RANGE

AT_ONCE = 4096  # frames that the interpreter takes side by side, which bounds its memory
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
    pours = not_known(since_pour, len(frames))
    given = _Given(np.asarray(frames.counts, np.int64), _tenths(frames), np.zeros_like(first), first, pours)
    check_inputs(program, given_inputs(program, given.counts, given.warm, given.faults, pours))
    prepared = prepare(program, None if trim is None else trim[None])
    rows = _rows(program, given, np.zeros(0, np.int64) if program.trim is None or trim is None else trim)
    readings, states = run_rows(_built(_Keyed(digest(program), program)), rows, len(frames))
    _hold_to_the_interpreter(program, given, prepared, readings, states)
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
class _Given:
    """What the C is given, int64: ``counts`` (n, channels), ``warm`` (n,) tenths of a degree, ``faults`` (n,)
    ``first`` (n,), 1 where it starts anew, and ``pours`` (n,) seconds.
    """

    counts: Array
    warm: Array
    faults: Array
    first: Array
    pours: Array


def _hold_to_the_interpreter(
    program: Program, given: _Given, prepared: Array, readings: Array, states: Array
) -> None:
    """ToolError where the interpreter comes from the C's state before a frame to another reading, or to
    another state behind it.
    """
    power_on = initial_state(program)
    before = np.concatenate([power_on, states[:-1]])[: len(states)]
    before[given.first == 1] = power_on
    for start in range(0, len(readings), AT_ONCE):
        at = slice(start, start + AT_ONCE)
        try:
            inputs = given.counts[at], given.warm[at], given.faults[at]
            reading, after = step(program, *inputs, before[at], prepared, given.pours[at])
        except (InputError, ProgramError) as error:  # of a state that no program can be in
            raise ToolError("the C on this computer", f"a state that cannot be ({error})") from error
        expected, came = np.hstack([reading.table(), after]), np.hstack([readings[at], states[at]])
        differs = (came != expected).any(axis=1)
        if differs.any():
            k = int(np.argmax(differs))
            raise ToolError(
                "the C on this computer",
                f"{came[k].tolist()} at frame {start + k}, reading and state",
                f"{expected[k].tolist()}, as the interpreter has it",
            )


def _rows(program: Program, given: _Given, trim: Array) -> bytes:
    """Rows as the harness reads them: the trim stands where a stream starts."""
    beginning = ",".join(map(str, ["1", *trim.tolist()]))
    inputs = np.column_stack(
        list(given_inputs(program, given.counts, given.warm, given.faults, given.pours).values())
    )
    lines = (
        f"{beginning if starts else '0'},{','.join(map(str, row))}"
        for starts, row in zip(given.first.tolist(), inputs.tolist(), strict=True)
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
