"""Frames through compressed blocks and back."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from dataset.blocks import Block, from_blocks, to_blocks
from dataset.errors import StoreError
from dataset.records import Frames

SHAPES = st.tuples(st.integers(0, 40), st.integers(1, 5))


@given(SHAPES.flatmap(lambda shape: hnp.arrays(np.uint32, shape)), st.data(), st.integers(1, 17), st.sampled_from([1, 6, 19]))
def test_round_trip(counts: np.ndarray, data: st.DataObject, block_frames: int, level: int) -> None:
    """Any integers and any floats, NaN and both zeros included, come back bit for bit, whatever the block size and compression."""
    n = len(counts)
    t_ms = data.draw(hnp.arrays(np.int64, n))
    warm = data.draw(st.none() | hnp.arrays(np.float64, n))
    blocks = list(to_blocks(Frames(t_ms, counts, warm), block_frames, level))
    assert [b.frames for b in blocks] == [min(block_frames, n - k) for k in range(0, n, block_frames)]
    back = from_blocks(blocks, counts.shape[1])
    assert back.t_ms.dtype == np.int64
    assert back.counts.dtype == np.uint32
    np.testing.assert_array_equal(back.t_ms, t_ms)
    np.testing.assert_array_equal(back.counts, counts)
    if warm is None or n == 0:
        assert back.temperature_c is None
    else:
        assert back.temperature_c is not None
        assert back.temperature_c.tobytes() == warm.tobytes()


def test_packing_is_the_one_that_is_documented() -> None:
    """A block unpacks, with zstd and a loop alone, as its module describes: bytes by place, differences modulo the word."""
    counts = np.array([[1, 70000], [3, 69999], [0, 70255]], np.uint32)
    (block,) = to_blocks(Frames(np.array([5, 105, 205]), counts))
    plain = zstandard.ZstdDecompressor().decompress(block.counts)
    words = [sum(plain[place * 6 + k] << (8 * place) for place in range(4)) for k in range(6)]
    found: list[list[int]] = []
    for channel in (words[:3], words[3:]):
        value, column = 0, []
        for step in channel:
            value = (value + step) % 2**32
            column.append(value)
        found.append(column)
    assert found == [[1, 3, 0], [70000, 69999, 70255]]


def test_regular_frames_compress_well() -> None:
    """Sixty thousand frames of slow counts take less than a fifth of their plain size."""
    n = 60_000
    rng = np.random.default_rng(1)
    counts = (20_000 + np.cumsum(rng.integers(-2, 3, (n, 4)), axis=0)).astype(np.uint32)
    blocks = list(to_blocks(Frames(np.arange(n) * 100, counts)))
    assert sum(len(b.t_ms) + len(b.counts) for b in blocks) < n * (8 + 4 * 4) / 5


@pytest.mark.parametrize("harm", [lambda b: b[:-1], lambda b: b"\0" + b[1:], lambda b: b[:100] + bytes([b[100] ^ 1]) + b[101:]], ids=["cut", "head", "one bit"])
def test_damage_is_noticed(harm: Callable[[bytes], bytes]) -> None:
    """A cut block, a wrong beginning and a single flipped bit among the counts are errors of the store, never other counts."""
    counts = np.random.default_rng(0).integers(0, 2**32, (99, 2), dtype=np.uint32)  # nothing to compress: bit for bit in the block
    (block,) = to_blocks(Frames(np.arange(99) * 100, counts))
    with pytest.raises(StoreError, match="run7: a block of frames"):
        from_blocks([Block(block.frames, block.t_ms, harm(block.counts), None)], 2, "run7")


def test_a_block_of_another_size_is_refused() -> None:
    """A block that holds fewer frames than its row says is an error."""
    (block,) = to_blocks(Frames(np.arange(9) * 100, np.arange(18, dtype=np.uint32).reshape(9, 2)))
    with pytest.raises(StoreError, match="72 bytes"):
        from_blocks([Block(10, block.t_ms, block.counts, None)], 2)
