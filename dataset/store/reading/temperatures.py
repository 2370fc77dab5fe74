"""Temperatures of sessions' frames, from their packed blocks; without numpy where all blocks are short, since
plans and maps of coverage ask for nothing else that needs it.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Container, Iterable, Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from dataset.coverage.temperature_bands import mean_of
from dataset.packed_columns import short_degrees
from dataset.records import ID_DIGITS, Mark, Session

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Packed = tuple[str, int, bytes | None, int]  # of a block: its session's hash, frames, temperatures, format
_SHORT = 512  # frames of a block; those of longer ones are sooner unpacked by numpy


def unpacked(packed: Iterable[Packed], wanted: Container[str]) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Of the sessions with these hashes, those that blocks in their order are of: the hash, and degrees
    Celsius (n,), NaN where not measured.
    """
    import numpy as np

    for sha256, degrees in _degrees(packed, wanted):
        yield sha256, np.array(degrees)


def means_of_marks(sessions: Sequence[Session], packed: Iterable[Packed]) -> dict[str, tuple[float, ...]]:
    """By session hash: the mean measured temperature under each mark (of all frames where there is none), NaN
    where none was measured.
    """
    parts = {session.sha256: session.marks or (Mark(0, session.frames, 0.0),) for session in sessions}
    means = {sha256: (math.nan,) * len(marks) for sha256, marks in parts.items()}
    for sha256, degrees in _degrees(packed, parts):
        means[sha256] = tuple(mean_of(degrees[mark.start : mark.stop]) for mark in parts[sha256])
    return means


def _degrees(packed: Iterable[Packed], wanted: Container[str]) -> Iterator[tuple[str, array[float]]]:
    """As :func:`unpacked`, value by value."""
    for sha256, of_session in groupby(packed, key=lambda row: row[0]):
        if sha256 in wanted:
            where, degrees = f"session {sha256[:ID_DIGITS]}", array("d")
            for _, frames, block, format_ in of_session:
                degrees += _of_block(block or b"", format_, frames, where)
            yield sha256, degrees


def _of_block(block: bytes, format_: int, frames: int, where: str) -> array[float]:
    if frames <= _SHORT:
        return short_degrees(block, format_, frames, where)
    from dataset import blocks

    return array("d", blocks.temperatures(block, format_, frames, where).tobytes())
