"""A stream of frames through the exported C, compiled for this computer: what the chip would have said, frame
by frame.

The C prints its state behind each frame, so the interpreter can take any frame by itself: from the state
that the C was in before it, both must come to the same reading and the same next state. As a stream begins
with the state at power-on, that holds the C to the interpreter on every frame of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError, ProgramError, ToolError
from dataset.long_frames import LongFrames, parts_of
from dataset.records import Frames, Recording
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
    """``readings`` int32 (n, 6) in the order of ``OUTPUTS``; ``restarts`` int64: frames before which the step
    was outside the tolerance.

    ``steps_ms`` are those steps.
    """

    readings: NDArray[np.int32]
    restarts: Array
    steps_ms: Array


def replay_on_host(
    program: Program,
    frames: Recording,
    trim: NDArray[np.int64] | None = None,
    since_pour: NDArray[np.int64] | None = None,
) -> Replayed:
    """Readings of ``frames`` from power-on at the first of them; a step in time outside the program's
    tolerance starts anew, as firmware has to. Of frames that are packed a part is unpacked at a time.

    ``trim`` int64 (trim size,), None for a program without; ``since_pour`` int64 (n,) the seconds since the
    last pour, None: not known, and of no matter to a program that is not told.

    Raises InputError for frames outside the declared
    domain or a missing trim, ToolError where the C stops or says other than the interpreter.
    """
    restarts, steps_ms = _steps_outside(program, frames)
    first = np.zeros(len(frames), np.bool_)
    first[[0, *restarts] if len(frames) else []] = True
    stream = _Stream(program, frames, first, since_pour)
    for at in stream.pieces():
        check_inputs(program, at.inputs, at.start)
    prepared = prepare(program, None if trim is None else trim[None])
    stated = np.zeros(0, np.int64) if program.trim is None or trim is None else trim
    texts = (at.rows(stated) for at in stream.pieces())
    sizes = [at.stop - at.start for at in stream.slices()]
    readings = np.empty((len(frames), len(OUTPUTS)), np.int32)
    last = initial_state(program)
    answers = run_pieces(_built(_Keyed(digest(program), program)), texts, sizes)
    for at, (came, states) in zip(stream.pieces(), answers, strict=True):
        _hold_to_the_interpreter(program, at, prepared, np.hstack([came, states]), last)
        readings[at.start : at.start + len(came)], last = came, states[-1:]
    return Replayed(readings, restarts, steps_ms)


def _steps_outside(program: Program, frames: Recording) -> tuple[Array, Array]:
    """Frames before which the step is outside the program's tolerance, and these steps, both int64."""
    found, steps, number, before = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)], 0, np.zeros(0, np.int64)
    for part in parts_of(frames):
        t_ms = np.concatenate([before, np.asarray(part.t_ms, np.int64)])
        outside = steps_outside(t_ms, program.period_ms, program.period_tolerance_pct)
        found.append(outside + (number - len(before)))
        steps.append(np.diff(t_ms)[outside - 1])
        number, before = number + len(part), t_ms[-1:]
    return np.concatenate(found), np.concatenate(steps)


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
    """What the C is given: frames, ``first`` (n,) where it starts anew, and ``pours`` (n,) seconds, None: not
    known.
    """

    program: Program
    frames: Recording
    first: NDArray[np.bool_]
    pours: Array | None

    def slices(self) -> Iterator[slice]:
        """The frames that are looked at together."""
        for start in range(0, len(self.first), AT_ONCE):
            yield slice(start, min(start + AT_ONCE, len(self.first)))

    def pieces(self) -> Iterator[_Piece]:
        """These frames with what is given in them. Each caller has frames of its own to unpack: they are
        asked for on two threads.
        """
        given = self.frames
        window = LongFrames(given.blocks, given.channels).window if isinstance(given, LongFrames) else None
        for at in self.slices():
            part = _part(given, at) if window is None else window(at.start, at.stop)
            pours = None if self.pours is None else self.pours[at]
            counts, warm = np.asarray(part.counts, np.int64), _tenths(part, at.start)
            yield _Piece(
                at.start,
                given_inputs(self.program, counts, warm, np.zeros_like(warm), pours),
                self.first[at],
                not_known(pours, len(warm)),
            )


@dataclass(frozen=True)
class _Piece:
    """Frames that are looked at together, the first of them being number ``start``: ``inputs`` by the names
    of the program's inputs, ``first`` (frames,) where it starts anew, ``pours`` (frames,) seconds.
    """

    start: int
    inputs: dict[str, Array]
    first: NDArray[np.bool_]
    pours: Array

    def rows(self, trim: Array) -> bytes:
        """These frames as the harness reads them: the trim stands where a stream starts."""
        beginning = ",".join(map(str, ["1", *trim.tolist()]))
        inputs = np.column_stack(list(self.inputs.values()))
        lines = (
            f"{beginning if starts else '0'},{','.join(map(str, row))}"
            for starts, row in zip(self.first.tolist(), inputs.tolist(), strict=True)
        )
        return "\n".join([*lines, ""]).encode()


def _part(frames: Recording, at: slice) -> Frames:
    warm = frames.temperature_c
    return Frames(frames.t_ms[at], frames.counts[at], None if warm is None else warm[at])


def _hold_to_the_interpreter(
    program: Program, piece: _Piece, prepared: Array, came: Array, last: Array
) -> None:
    """ToolError where the interpreter comes from the C's state before a frame to another reading, or to
    another state behind it: ``came`` (frames, outputs and state) are the C's, ``last`` the state before them.
    """
    states = came[:, len(OUTPUTS) :]
    before = np.concatenate([last, states[:-1]])
    before[piece.first] = initial_state(program)
    given = piece.inputs
    inputs = given["counts"], given["temperature"][:, 0], given["faults"][:, 0]
    try:
        reading, after = step(program, *inputs, before, prepared, piece.pours)
    except (InputError, ProgramError) as error:  # of a state that no program can be in
        raise ToolError("the C on this computer", f"a state that cannot be ({error})") from error
    expected = np.hstack([reading.table(), after])
    differs = (came != expected).any(axis=1)
    if differs.any():
        k = int(np.argmax(differs))
        raise ToolError(
            "the C on this computer",
            f"{came[k].tolist()} at frame {piece.start + k}, reading and state",
            f"{expected[k].tolist()}, as the interpreter has it",
        )


def _tenths(frames: Frames, start: int) -> Array:
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
            f"temperature of frame {start + frame}",
            f"{tenths[frame] / _PER_DEGREE:g} C",
            f"{low / _PER_DEGREE:g} to {high / _PER_DEGREE:g} C",
        )
    return tenths
