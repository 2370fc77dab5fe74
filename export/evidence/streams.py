"""Streams of inputs: what a unit gives a program from power-on, frame after frame."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from export.vectors import Vectors
from training.program import NO_POUR, NO_TEMPERATURE, Array, Program, initial_state, prepare
from training.program.interpreter import trace


@dataclass(frozen=True)
class Streams:
    """Inputs of ``n`` streams of equal length, all int64.

    ``trim`` (n, trim size; n, 0 without trim), ``counts`` (n, frames, channels), ``temperature`` and
    ``faults`` (n, frames), ``since_pour`` (n, frames) seconds, None: not known. Each stream starts at
    power-on.
    """

    trim: Array
    counts: Array
    temperature: Array
    faults: Array
    since_pour: Array | None = None

    def __len__(self) -> int:
        return len(self.counts)

    @property
    def frames(self) -> int:
        return int(self.counts.shape[1])

    @property
    def pours(self) -> Array:
        """The seconds since the last pour, (n, frames), where they are not known too."""
        return np.full_like(self.faults, NO_POUR) if self.since_pour is None else self.since_pour

    def take(self, rows: Array | slice) -> Streams:
        """The streams at ``rows``."""
        pours = None if self.since_pour is None else self.since_pour[rows]
        return Streams(self.trim[rows], self.counts[rows], self.temperature[rows], self.faults[rows], pours)

    def frame(self, k: int) -> Streams:
        """Frame ``k`` of every stream, as streams of one frame."""
        now = slice(k, k + 1)
        pours = None if self.since_pour is None else self.since_pour[:, now]
        return Streams(self.trim, self.counts[:, now], self.temperature[:, now], self.faults[:, now], pours)


def streams_of(vectors: Vectors) -> Streams:
    """The inputs of vectors."""
    shape = (len(vectors) // vectors.stream_frames, vectors.stream_frames)
    return Streams(
        vectors.trim[:: vectors.stream_frames],
        vectors.counts.reshape(*shape, -1),
        vectors.temperature.reshape(shape),
        vectors.faults.reshape(shape),
        None if vectors.since_pour is None else vectors.since_pour.reshape(shape),
    )


def joined(parts: Sequence[Streams]) -> Streams:
    """All streams of ``parts`` in their order; they must be equally long."""
    return Streams(
        np.concatenate([part.trim for part in parts]),
        np.concatenate([part.counts for part in parts]),
        np.concatenate([part.temperature for part in parts]),
        np.concatenate([part.faults for part in parts]),
        None if all(p.since_pour is None for p in parts) else np.concatenate([part.pours for part in parts]),
    )


def held(trim: Array, counts: Array, frames: int) -> Streams:
    """Streams whose counts (n, channels) stay as they are; no temperature, no faults, no pour known."""
    n = len(counts)
    return Streams(
        trim,
        np.repeat(counts[:, None], frames, axis=1),
        np.full((n, frames), NO_TEMPERATURE, np.int64),
        np.zeros((n, frames), np.int64),
    )


def run_through(program: Program, streams: Streams, names: Sequence[str]) -> Iterator[dict[str, Array]]:
    """For each frame in turn the named values of prepare's results, inputs, state and step, (n, size) each,
    and ``next_state`` (n, state size): the state behind the frame.
    """
    ready = prepare(program, streams.trim if program.trim is not None else None)
    ready = np.broadcast_to(ready, (len(streams), program.prepared_size))
    state, pours = initial_state(program, len(streams)), streams.pours
    for k in range(streams.frames):
        given = (streams.counts[:, k], streams.temperature[:, k], streams.faults[:, k])
        state, values = trace(program, *given, state, ready, names, pours[:, k])
        yield values | {"next_state": state}
