"""Temperatures of sessions' frames, from their packed blocks."""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Iterator, Sequence
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from dataset import blocks
from dataset.coverage.temperature_bands import mean_of
from dataset.records import ID_DIGITS, Mark, Session

Packed = tuple[str, int, bytes | None, int]  # of a block: its session's hash, frames, temperatures, format


def unpacked(packed: Iterable[Packed], wanted: Container[str]) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Of the sessions with these hashes, those that blocks in their order are of: the hash, and degrees
    Celsius (n,), NaN where not measured.
    """
    for sha256, of_session in groupby(packed, key=lambda row: row[0]):
        if sha256 in wanted:
            where = f"session {sha256[:ID_DIGITS]}"
            parts = [
                blocks.temperatures(block or b"", format_, frames, where)
                for _, frames, block, format_ in of_session
            ]
            yield sha256, np.concatenate(parts)


def means_of_marks(sessions: Sequence[Session], packed: Iterable[Packed]) -> dict[str, tuple[float, ...]]:
    """By session hash: the mean measured temperature under each mark (of all frames where there is none), NaN
    where none was measured.
    """
    parts = {session.sha256: session.marks or (Mark(0, session.frames, 0.0),) for session in sessions}
    means = {sha256: (math.nan,) * len(marks) for sha256, marks in parts.items()}
    for sha256, warm in unpacked(packed, parts):
        means[sha256] = tuple(mean_of(warm[mark.start : mark.stop].tolist()) for mark in parts[sha256])
    return means
