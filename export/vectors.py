"""Test vectors: inputs over the declared domain and what the interpreter makes of them.

A vector is one frame of a stream that starts at power-on: the state is carried from frame to frame, so that a
difference in state shows in the frames behind it too.
"""

from __future__ import annotations

import io
import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dataset.errors import InputError
from training.program import OUTPUTS, VALID, Array, Interval, Program, initial_state, prepare, step
from training.program.reasons import reasons_of

_STREAM_FRAMES = 8  # frames of a stream behind the settling
_MOST_SETTLING = 248
MOST_VECTORS = 20_000  # twice what an export has, and so many as are checked in seconds
_LONGEST_TEXT = 64_000_000  # characters; vectors of an export have a tenth of that at most
_TRIES = 2048  # inputs tried in search of valid readings


@dataclass(frozen=True)
class Vectors:
    """``n`` frames in streams of equal length; row k starts a stream where ``k % stream_frames == 0``.

    Inputs: ``trim`` (n, trim size, or n, 0 without trim; the same in all rows of a stream), ``counts`` (n,
        channels),
    ``temperature`` (n,), ``faults`` (n,). Expected: ``prepared`` (n, prepared size), ``readings`` (n, 6) in
    the order of ``OUTPUTS``, ``state`` (n, state size) after the frame. All int64.
    """

    stream_frames: int
    trim: Array
    counts: Array
    temperature: Array
    faults: Array
    prepared: Array
    readings: Array
    state: Array

    def __len__(self) -> int:
        return len(self.counts)

    def head(self, streams: int) -> Vectors:
        """The first ``streams`` streams."""
        return self.rows(0, streams * self.stream_frames)

    def rows(self, start: int, stop: int) -> Vectors:
        """Rows ``start`` to ``stop``, whole streams."""
        parts = (
            self.trim,
            self.counts,
            self.temperature,
            self.faults,
            self.prepared,
            self.readings,
            self.state,
        )
        return Vectors(self.stream_frames, *(part[start:stop] for part in parts))


def make_vectors(program: Program, count: int = 10_000, seed: int = 0) -> Vectors:
    """At least ``count`` vectors: every corner of the input domain first, then seeded draws.

    Draws mix streams that are uniform over the domain, walk slowly (as a tank does), jump between the ends of
    the ranges, or walk from inputs that a search found to give a valid reading: the domain is wide, and most
    of it is withheld. With up to 6 channels all corners of the counts are taken, above that all-low, all-high
    and one-hot ones. Streams outlast the settling.
    """
    rng = np.random.RandomState(
        seed
    )  # its streams are frozen (NumPy enhancement proposal 19), so old bundles can be made again
    frames = _STREAM_FRAMES + min(program.settling_frames, _MOST_SETTLING)
    first = corners(program)
    streams = max(-(-count // frames), -(-len(first) // frames) + 4)
    trim = np.zeros((streams, 0), dtype=np.int64)
    if program.trim is not None:
        trim = _uniform(rng, program.trim, (streams,))
        trim[0], trim[-1] = program.trim.low, program.trim.high
    counts = _streams(rng, program.inputs["counts"], streams, frames)
    temperature = _streams(rng, program.inputs["temperature"], streams, frames)
    faults = np.where(
        rng.random_sample((streams, frames, 1)) < 0.9,
        0,
        _uniform(rng, program.inputs["faults"], (streams, frames)),
    )
    _walk_from_valid(rng, program, frames, trim, (counts, temperature, faults))
    flat = (counts.reshape(-1, program.channels), temperature.reshape(-1, 1), faults.reshape(-1, 1))
    for part, at in zip(flat, (slice(0, program.channels), slice(-2, -1), slice(-1, None)), strict=True):
        part[: len(first)] = first[:, at]
    return expect(program, frames, trim, *(part.reshape(streams, frames, -1) for part in flat))


def _walk_from_valid(
    rng: np.random.RandomState, program: Program, frames: int, trim: Array, given: tuple[Array, Array, Array]
) -> None:
    """Let every second stream walk slowly from inputs that gave a valid reading when held; in place, as far
    as any are found.
    """
    counts, temperature, faults = given
    tries = _uniform(rng, program.inputs["counts"], (_TRIES,))
    warmth = _uniform(rng, program.inputs["temperature"], (_TRIES,))
    trims = (
        _uniform(rng, program.trim, (_TRIES,))
        if program.trim is not None
        else trim[:1].repeat(_TRIES, axis=0)
    )
    held = (np.repeat(part[:, None], frames, axis=1) for part in (tries, warmth, np.zeros_like(warmth)))
    last = expect(program, frames, trims, *held).readings[frames - 1 :: frames]
    valid = np.flatnonzero(last[:, OUTPUTS.index("validity")] == VALID)
    if not valid.size:
        return
    streams = np.arange(1, len(counts) - 1, 2)
    chosen = rng.choice(valid, size=len(streams))
    counts[streams] = _walk(rng, program.inputs["counts"], np.repeat(tries[chosen][:, None], frames, axis=1))
    temperature[streams] = warmth[chosen][:, None]
    faults[streams] = np.where(rng.random_sample((len(streams), frames, 1)) < 0.98, 0, faults[streams])
    trim[streams] = trims[chosen]


def expect(
    program: Program, frames: int, trim: Array, counts: Array, temperature: Array, faults: Array
) -> Vectors:
    """Vectors from inputs of shape (streams, frames, width); ``trim`` has shape (streams, trim size)."""
    streams = len(counts)
    prepared = np.broadcast_to(
        prepare(program, trim if program.trim is not None else None), (streams, program.prepared_size)
    )
    state, readings, states = initial_state(program, streams), [], []
    for k in range(frames):
        reading, state = step(program, counts[:, k], temperature[:, k, 0], faults[:, k, 0], state, prepared)
        readings.append(reading.table())
        states.append(state)
    n = streams * frames
    return Vectors(
        frames,
        np.repeat(trim, frames, axis=0),
        counts.reshape(n, -1),
        temperature.reshape(n),
        faults.reshape(n),
        np.repeat(prepared, frames, axis=0),
        np.stack(readings, axis=1).reshape(n, len(OUTPUTS)),
        np.stack(states, axis=1).reshape(n, program.state_size),
    )


def to_csv(vectors: Vectors) -> str:
    """The vectors as text: a header line, then one frame a line; ``first`` is 1 where a stream starts."""
    first = (np.arange(len(vectors)) % vectors.stream_frames == 0).astype(np.int64)
    inputs = (
        first[:, None],
        vectors.trim,
        vectors.counts,
        vectors.temperature[:, None],
        vectors.faults[:, None],
    )
    columns = (*inputs, vectors.readings, vectors.state, vectors.prepared)
    text = io.StringIO(newline="\n")
    text.write(f"# stream_frames={vectors.stream_frames}\n{_heading([part.shape[1] for part in columns])}\n")
    np.savetxt(text, np.concatenate(columns, axis=1), fmt="%d", delimiter=",", newline="\n")
    return text.getvalue()


def _heading(widths: Sequence[int]) -> str:
    """The names of the columns; ``widths`` of first, trim, counts, temperature, faults, readings, state and
    prepared values.
    """
    names = {"trim": widths[1], "count": widths[2], "state": widths[6], "prepared": widths[7]}
    numbered = {name: [f"{name}{k}" for k in range(width)] for name, width in names.items()}
    return ",".join(
        [
            "first",
            *numbered["trim"],
            *numbered["count"],
            "temperature",
            "faults",
            *OUTPUTS[: widths[5]],
            *numbered["state"],
            *numbered["prepared"],
        ]
    )


def from_csv(program: Program, text: str, where: str = "vectors") -> Vectors:
    """Read vectors back as they stand; InputError when the rows do not fit the program. What they expect is
    not checked here.
    """
    if len(text) > _LONGEST_TEXT:
        raise InputError(where, f"{len(text)} characters", f"at most {_LONGEST_TEXT}")
    head, heading, body = (*text.split("\n", 2), "", "")[:3]
    key, _, frames = head.removeprefix("# ").partition("=")
    most = _STREAM_FRAMES + _MOST_SETTLING
    if key != "stream_frames" or not re.fullmatch("[0-9]{1,4}", frames) or not 1 <= int(frames) <= most:
        raise InputError(f"{where}, line 1", repr(head[:40]), f"'# stream_frames=N', at most {most}")
    widths = (
        1,
        program.trim_size,
        program.channels,
        1,
        1,
        _stated_outputs(program, heading),
        program.state_size,
        program.prepared_size,
    )
    if heading != _heading(widths) or not body.strip():
        raise InputError(
            f"{where}, line 2", repr(heading[:60]), f"the columns {_heading(widths)}, and rows below"
        )
    lines, allowed = body.count("\n"), MOST_VECTORS + 2 * most
    if lines > allowed:
        raise InputError(where, f"{lines} rows", f"at most {allowed}")
    try:
        rows = np.loadtxt(io.StringIO(body), dtype=np.int64, delimiter=",", comments=None, ndmin=2)
    except ValueError as error:
        raise InputError(where, f"unreadable ({error})"[:200], "rows of integers") from error
    if rows.shape[1] != sum(widths) or len(rows) % int(frames):
        raise InputError(
            where,
            f"{rows.shape[0]} rows of {rows.shape[1]}",
            f"whole streams of {frames} rows of {sum(widths)} columns",
        )
    first, trims, counts, temperature, faults, readings, state, prepared = np.split(
        rows, np.cumsum(widths)[:-1], axis=1
    )
    if not np.array_equal(first[:, 0], np.arange(len(rows)) % int(frames) == 0):
        raise InputError(
            f"{where}, column 'first'",
            "a 1 where no stream starts, or none where one does",
            f"a 1 every {frames} rows",
        )
    if readings.shape[1] < len(OUTPUTS):
        readings = np.column_stack([readings, reasons_of(readings[:, -2], readings[:, -1])])
    return Vectors(int(frames), trims, counts, temperature[:, 0], faults[:, 0], prepared, readings, state)


def _stated_outputs(program: Program, heading: str) -> int:
    """How many outputs the rows hold: those of the first format, which knew no reason, lack the last."""
    first = program.format == 1 and OUTPUTS[-1] not in heading.split(",")
    return len(OUTPUTS) - first


def corners(program: Program) -> Array:
    """The inputs at the ends of the declared domain, a row each: counts, temperature, faults."""
    ends = program.inputs
    low, high, channels = 0, program.count_max, program.channels
    if channels <= 6:
        counts = list(itertools.product((low, high), repeat=channels))
    else:
        counts = [(low,) * channels, (high,) * channels]
        counts += [tuple(high if k == hot else low for k in range(channels)) for hot in range(channels)]
    temperatures = (ends["temperature"].low[0], ends["temperature"].high[0])
    faults = (0, ends["faults"].high[0])
    return np.asarray([(*c, t, f) for c in counts for t in temperatures for f in faults], dtype=np.int64)


def _uniform(rng: np.random.RandomState, interval: Interval, shape: tuple[int, ...]) -> Array:
    return rng.randint(
        interval.low, np.asarray(interval.high) + 1, size=(*shape, interval.size), dtype=np.int64
    )


def _streams(rng: np.random.RandomState, interval: Interval, streams: int, frames: int) -> Array:
    """Shape (streams, frames, size): a third uniform, a third slow walks, a third jumps between the ends."""
    low, high = np.asarray(interval.low), np.asarray(interval.high)
    uniform = _uniform(rng, interval, (streams, frames))
    walk = _walk(rng, interval, np.repeat(uniform[:, :1], frames, axis=1))
    jumps = np.where(rng.random_sample(uniform.shape) < 0.5, low, high)
    kind = rng.randint(0, 3, size=(streams, 1, 1))
    return np.asarray(np.choose(kind, [uniform, walk, jumps]), dtype=np.int64)


def _walk(rng: np.random.RandomState, interval: Interval, start: Array) -> Array:
    """Slow walks inside ``interval`` from the rows of ``start``, shape (streams, frames, size)."""
    low, high = np.asarray(interval.low), np.asarray(interval.high)
    paces = np.maximum((high - low) >> 10, 1)
    return np.clip(start + np.cumsum(rng.randint(-paces, paces + 1, size=start.shape), axis=1), low, high)
