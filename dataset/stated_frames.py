"""Frames of which only what a session's document says is known: how many, of how many channels, and their
hashes. They stand in where a session is judged before its frames travel.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from dataset.canonical_text import canonical_json, text_sha256
from dataset.readings_hashes import ReadingsHashes


class StatedFrames:
    """A recording that nobody has seen; whoever asks for its values finds a mistake.

    Args:
        rows: how many frames.
        channels: counts in each.
        columns: what the document says of them, as :func:`dataset.readings_hashes.columns_content` gives it;
            without it they have no hashes.
    """

    def __init__(self, rows: int, channels: int, columns: Sequence[Mapping[str, object]] = ()) -> None:
        self._rows, self.channels = rows, channels
        self.hashes = _hashes(columns)

    def __len__(self) -> int:
        return self._rows

    @property
    def t_ms(self) -> NDArray[np.int64]:
        """Not known."""
        self._unknown()

    @property
    def counts(self) -> NDArray[np.uint32]:
        """Not known."""
        self._unknown()

    @property
    def temperature_c(self) -> NDArray[np.float64] | None:
        """Not known."""
        self._unknown()

    def _unknown(self) -> NoReturn:
        raise AssertionError("frames that only a document tells of were looked at")


def _hashes(columns: Sequence[Mapping[str, object]]) -> ReadingsHashes:
    """As they would be of the frames; those of the counts also where too few differ for the real ones to have
    any, which makes no difference to whoever looks for the same among recordings that have them.
    """
    text = canonical_json(list(columns))
    counts = [column for column in columns if str(column["name"]).startswith("counts.")]
    return ReadingsHashes(text, text_sha256(text), text_sha256(canonical_json(counts)))
