"""Test vectors: inputs over the declared domain and what the interpreter makes of them.

A vector is one frame of a stream that starts at power-on: the state is carried from frame to frame, so that a difference in
state shows in the frames behind it too.
"""

from __future__ import annotations

import io
import itertools
from dataclasses import dataclass

import numpy as np

from dataset.errors import InputError
from training.program import OUTPUTS, Array, Interval, Program, initial_state, prepare, step

_STREAM_FRAMES = 8


@dataclass(frozen=True)
class Vectors:
    """``n`` frames in streams of equal length; row k starts a stream where ``k % stream_frames == 0``.

    Inputs: ``trim`` (n, channels, or n, 0 without trim; the same in all rows of a stream), ``counts`` (n, channels),
    ``temperature`` (n,), ``faults`` (n,). Expected: ``prepared`` (n, prepared size), ``readings`` (n, 5) in the order of
    ``OUTPUTS``, ``state`` (n, state size) after the frame. All int64.
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
        n = streams * self.stream_frames
        parts = (self.trim, self.counts, self.temperature, self.faults, self.prepared, self.readings, self.state)
        return Vectors(self.stream_frames, *(part[:n] for part in parts))


def make_vectors(program: Program, count: int = 10_000, seed: int = 0) -> Vectors:
    """At least ``count`` vectors: every corner of the input domain first, then seeded draws.

    Draws mix three kinds of stream: uniform over the domain, slow walks (as a tank does), and jumps between the ends of the
    ranges. With up to 6 channels all corners of the counts are taken, above that all-low, all-high and one-hot ones.
    """
    rng = np.random.default_rng(seed)
    frames = _STREAM_FRAMES
    corners = _corners(program)
    streams = max(-(-count // frames), -(-len(corners) // frames) + 3)
    counts = _streams(rng, program.inputs["counts"], streams, frames)
    temperature = _streams(rng, program.inputs["temperature"], streams, frames)
    faults = np.where(rng.random((streams, frames, 1)) < 0.9, 0, _uniform(rng, program.inputs["faults"], (streams, frames)))
    flat = (counts.reshape(-1, program.channels), temperature.reshape(-1, 1), faults.reshape(-1, 1))
    for part, at in zip(flat, (slice(0, program.channels), slice(-2, -1), slice(-1, None)), strict=True):
        part[: len(corners)] = corners[:, at]
    trim = np.zeros((streams, 0), dtype=np.int64)
    if program.trim is not None:
        trim = _uniform(rng, program.trim, (streams,))
        trim[0], trim[-1] = program.trim.low, program.trim.high
    return expect(program, frames, trim, *(part.reshape(streams, frames, -1) for part in flat))


def expect(program: Program, frames: int, trim: Array, counts: Array, temperature: Array, faults: Array) -> Vectors:
    """Vectors from inputs of shape (streams, frames, width); ``trim`` has shape (streams, channels or 0)."""
    streams = len(counts)
    prepared = np.broadcast_to(prepare(program, trim if program.trim is not None else None), (streams, program.prepared_size))
    state, readings, states = initial_state(program, streams), [], []
    for k in range(frames):
        reading, state = step(program, counts[:, k], temperature[:, k, 0], faults[:, k, 0], state, prepared)
        readings.append(reading.table())
        states.append(state)
    n = streams * frames
    return Vectors(
        frames, np.repeat(trim, frames, axis=0), counts.reshape(n, -1), temperature.reshape(n), faults.reshape(n),
        np.repeat(prepared, frames, axis=0), np.stack(readings, axis=1).reshape(n, len(OUTPUTS)),
        np.stack(states, axis=1).reshape(n, program.state_size),
    )  # fmt: skip


def to_csv(vectors: Vectors) -> str:
    """The vectors as text: a header line, then one frame a line; ``first`` is 1 where a stream starts."""
    names = ["first"]
    for name, part in (("trim", vectors.trim), ("count", vectors.counts)):
        names += [f"{name}{k}" for k in range(part.shape[1])]
    names += ["temperature", "faults", *OUTPUTS, *(f"state{k}" for k in range(vectors.state.shape[1]))]
    first = (np.arange(len(vectors)) % vectors.stream_frames == 0).astype(np.int64)
    columns = (first[:, None], vectors.trim, vectors.counts, vectors.temperature[:, None], vectors.faults[:, None], vectors.readings, vectors.state)
    text = io.StringIO(newline="\n")
    text.write(f"# stream_frames={vectors.stream_frames}\n" + ",".join(names) + "\n")
    np.savetxt(text, np.concatenate(columns, axis=1), fmt="%d", delimiter=",", newline="\n")
    return text.getvalue()


def from_csv(program: Program, text: str, where: str = "vectors") -> Vectors:
    """Read vectors back; the expected columns are those of the file, the prepared values are computed anew."""
    head, _, body = text.partition("\n")
    key, _, frames = head.removeprefix("# ").partition("=")
    if key != "stream_frames" or not frames.isdecimal() or int(frames) < 1:
        raise InputError(f"{where}, line 1", repr(head[:40]), "'# stream_frames=N'")
    trim = 0 if program.trim is None else program.channels
    widths = (1, trim, program.channels, 1, 1, len(OUTPUTS), program.state_size)
    try:
        rows = np.loadtxt(io.StringIO(body), dtype=np.int64, delimiter=",", skiprows=1, ndmin=2)
    except ValueError as error:
        raise InputError(where, f"unreadable ({error})", "rows of integers") from error
    if rows.shape[1] != sum(widths) or len(rows) % int(frames) or not len(rows):
        raise InputError(where, f"{rows.shape[0]} rows of {rows.shape[1]}", f"whole streams of {frames} rows of {sum(widths)} columns")
    _, trims, counts, temperature, faults, readings, state = np.split(rows, np.cumsum(widths)[:-1], axis=1)
    prepared = np.broadcast_to(prepare(program, trims if trim else None), (len(rows), program.prepared_size))
    return Vectors(int(frames), trims, counts, temperature[:, 0], faults[:, 0], prepared, readings, state)


def _corners(program: Program) -> Array:
    """Rows (counts..., temperature, faults) at the ends of the declared domain."""
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


def _uniform(rng: np.random.Generator, interval: Interval, shape: tuple[int, ...]) -> Array:
    return rng.integers(interval.low, interval.high, size=(*shape, interval.size), endpoint=True, dtype=np.int64)


def _streams(rng: np.random.Generator, interval: Interval, streams: int, frames: int) -> Array:
    """Shape (streams, frames, size): a third uniform, a third slow walks, a third jumps between the ends."""
    low, high = np.asarray(interval.low), np.asarray(interval.high)
    uniform = _uniform(rng, interval, (streams, frames))
    paces = np.maximum((high - low) >> 10, 1)
    walk = np.clip(uniform[:, :1] + np.cumsum(rng.integers(-paces, paces, size=uniform.shape, endpoint=True), axis=1), low, high)
    jumps = np.where(rng.random(uniform.shape) < 0.5, low, high)
    kind = rng.integers(0, 3, size=(streams, 1, 1))
    return np.asarray(np.choose(kind, [uniform, walk, jumps]), dtype=np.int64)
