"""Short columns without numpy: bit for bit what the arrays have, and refused by the same sentences."""

from __future__ import annotations

import numpy as np
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from dataset import blocks
from dataset.errors import StoreError
from dataset.packed_columns import FORMAT, short_degrees
from dataset.records import Frames


@given(hnp.arrays(np.float64, st.integers(1, 50)))
def test_the_values_are_those_of_arrays(warm: np.ndarray) -> None:
    """Any floats, NaN with whatever bits, infinities and both zeros."""
    n = len(warm)
    block = blocks.pack(Frames(np.arange(n), np.zeros((n, 1), np.uint32), warm))
    assert block.temperature_c is not None
    read = short_degrees(block.temperature_c, block.format, n, "run7")
    assert read.tobytes() == warm.tobytes()
    assert blocks.temperatures(block.temperature_c, block.format, n).tobytes() == warm.tobytes()


@pytest.mark.parametrize("degrees", [[20.5, 20.25, -0.0], [-1e300, float("nan"), 5e-324]])
def test_the_first_format_is_read(degrees: list[float]) -> None:
    """Whose differences are not folded, made by zstd and a loop alone."""
    words = np.array(degrees).view(np.uint64).tolist()
    steps = [(a - b) % 2**64 for a, b in zip(words, [0, *words[:-1]], strict=True)]
    places = bytes(step >> (8 * place) & 255 for place in range(8) for step in steps)
    packed = zstandard.ZstdCompressor().compress(places)
    assert short_degrees(packed, 1, len(words), "run7").tobytes() == np.array(degrees).tobytes()
    assert blocks.temperatures(packed, 1, len(words)).tobytes() == np.array(degrees).tobytes()


def test_what_cannot_be_read_is_refused() -> None:
    """A format to come, another length, damage: as where arrays are made."""
    block = blocks.pack(Frames(np.arange(3), np.zeros((3, 1), np.uint32), np.array([1.0, 2.0, 3.0])))
    packed = block.temperature_c or b""
    for content, format_, frames, sentence in (
        (packed, FORMAT + 1, 3, f"run7: blocks of format {FORMAT + 1}"),
        (packed, FORMAT, 4, "run7: a block of frames holds 24 bytes"),
        (packed[:-1], FORMAT, 3, "run7: a block of frames is damaged"),
        (b"", FORMAT, 3, "run7: a block of frames"),
    ):
        with pytest.raises(StoreError, match=sentence):
            short_degrees(content, format_, frames, "run7")
        with pytest.raises(StoreError, match=sentence):
            blocks.temperatures(content, format_, frames, "run7")
