"""Frames through compressed blocks and back."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from dataset.blocks import (
    PIECE_FRAMES,
    Block,
    Stored,
    Unpacker,
    from_blocks,
    from_many,
    pack,
    to_blocks,
)
from dataset.errors import StoreError
from dataset.packed_columns import FORMAT
from dataset.records import Frames

SHAPES = st.tuples(st.integers(0, 40), st.integers(1, 5))


@given(
    SHAPES.flatmap(lambda shape: hnp.arrays(np.uint32, shape)),
    st.data(),
    st.integers(1, 17),
    st.sampled_from([1, 6, 19]),
)
def test_round_trip(counts: np.ndarray, data: st.DataObject, block_frames: int, level: int) -> None:
    """Any integers and any floats, NaN and both zeros included, come back bit for bit, whatever the block
    size and compression.
    """
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


def plain_bytes(words: list[int]) -> bytes:
    return bytes(word >> (8 * place) & 255 for place in range(4) for word in words)


@pytest.mark.parametrize("format_", [1, 2])
def test_earlier_packings_are_read(format_: int) -> None:
    """A block of an earlier format, made by zstd and a loop alone: bytes by place, differences modulo the
    word, folded since format 2.
    """
    columns = [[1, 3, 0, *range(500, 500 + PIECE_FRAMES)], [70000, 69999, 70255, *[70300] * PIECE_FRAMES]]
    words: list[int] = []
    for column in columns:
        steps = [a - b for a, b in zip(column, [0, *column[:-1]], strict=True)]
        words += [step % 2**32 if format_ == 1 else folded(step) for step in steps]
    frames = len(columns[0])
    times = [5] + [100] * (frames - 1) if format_ == 1 else [10] + [200] * (frames - 1)
    t_ms = bytes(time >> (8 * place) & 255 for place in range(8) for time in times)
    pack = zstandard.ZstdCompressor().compress
    back = from_blocks([Block(frames, pack(t_ms), pack(plain_bytes(words)), None, format_)], 2)
    assert back.counts.tolist() == np.array(columns).T.tolist()
    assert back.t_ms.tolist() == list(range(5, 5 + 100 * frames, 100))


def folded(step: int) -> int:
    return 2 * step if step >= 0 else -2 * step - 1


def test_packing_is_the_one_that_is_documented() -> None:
    """A block is packed as its module describes, by zstd and a loop alone: a channel that stands still and
    then moves, one that jumps between, and frames behind the last whole piece.
    """
    rng = np.random.default_rng(1)
    still = 500 + rng.integers(-3, 4, 2 * PIECE_FRAMES + 5)
    ramp = np.arange(PIECE_FRAMES) * 40
    first = np.concatenate([still[:PIECE_FRAMES], ramp, still[-5:]]).tolist()
    second = still.tolist()
    told: list[int] = []
    bases: list[int] = []
    pieces: list[int] = []
    rests: list[int] = []
    for column in (first, second):
        before = 0
        for start in (0, PIECE_FRAMES):
            piece = column[start : start + PIECE_FRAMES]
            mean = sum(piece) // PIECE_FRAMES
            around = [folded(count - mean) for count in piece]
            moves = [0] + [folded(b - a) for a, b in itertools.pairwise(piece)]
            told.append(int(sum(around) < sum(moves)))
            base = mean if told[-1] else piece[0]
            bases.append(folded(base - before))
            pieces += around if told[-1] else moves
            before = base
        behind = column[2 * PIECE_FRAMES - 1 :]
        rests += [folded(b - a) for a, b in itertools.pairwise(behind)]
    counts = np.array([first, second], np.uint32).T
    (block,) = to_blocks(Frames(np.arange(len(first)), counts))
    assert block.format == FORMAT
    assert told == [1, 0, 1, 1]
    assert zstandard.ZstdDecompressor().decompress(block.counts) == plain_bytes(told + bases + pieces + rests)


@pytest.mark.longer
@given(st.integers(0, 2**32 - 1), st.integers(0, 3 * PIECE_FRAMES), st.integers(1, 3), st.integers(1, 400))
def test_pieces_round_trip(seed: int, frames: int, channels: int, block_frames: int) -> None:
    """Held levels, ramps and counts without any order, over piece and block ends, come back as they were."""
    rng = np.random.default_rng(seed)
    kinds = [
        1000 + rng.integers(-5, 6, (frames, channels)),
        np.cumsum(rng.integers(-3, 30, (frames, channels)), axis=0),
        rng.integers(0, 2**32, (frames, channels)),
    ]
    counts = np.choose(rng.integers(0, 3, (frames, 1)) if seed % 2 else np.full((frames, 1), seed % 3), kinds)
    given_frames = Frames(np.arange(frames), counts.astype(np.uint32))
    back = from_blocks(to_blocks(given_frames, block_frames), channels)
    assert back.counts.tolist() == given_frames.counts.tolist()


@pytest.mark.parametrize("warm", [True, False])
def test_many_sessions_together_are_each_as_alone(warm: bool) -> None:
    """Sessions of the same and of other lengths, channels and numbers of blocks come back in their order."""
    rng = np.random.default_rng(3)
    sessions: list[tuple[Frames, int]] = []
    shapes = [(300, 2, 400), (9, 2, 9), (300, 2, 400), (300, 3, 400), (300, 2, 7)]
    for length, channels, block_frames in shapes:
        counts = rng.integers(500, 520, (length, channels)).astype(np.uint32)
        degrees = rng.normal(20, 1, length) if warm else None
        sessions.append((Frames(np.arange(length) * 100, counts, degrees), block_frames))
    stored = [
        Stored(to_blocks(frames, block_frames), frames.counts.shape[1], f"run{k}")
        for k, (frames, block_frames) in enumerate(sessions)
    ]
    for (frames, _), back in zip(sessions, from_many(stored), strict=True):
        assert back.counts.tolist() == frames.counts.tolist()
        assert back.t_ms.tolist() == frames.t_ms.tolist()
        assert (back.temperature_c is None) == (frames.temperature_c is None)
        if back.temperature_c is not None and frames.temperature_c is not None:
            assert back.temperature_c.tobytes() == frames.temperature_c.tobytes()


@pytest.mark.parametrize("warm", [False, True])
def test_blocks_one_by_one_are_the_frames_of_all(warm: bool) -> None:
    """Of lengths that grow and shrink, into memory that is used again: as many are whole as were asked for,
    and a block without the session's columns is refused.
    """
    draw = np.random.default_rng(5)
    parts = [
        Frames(
            np.arange(n, dtype=np.int64) * 100 + draw.integers(50),
            (40_000 + 20 * draw.standard_normal((n, 3))).astype(np.uint32),
            draw.standard_normal(n) if warm else None,
        )
        for n in (700, 90, 1300, 128, 1)
    ]
    packed, unpack = [pack(part) for part in parts], Unpacker(3, warm, "session s", kept=2)
    given = [unpack(packed[0])]
    for k in range(1, len(parts)):
        given.append(unpack(packed[k]))
        for part, frames in zip(parts[k - 1 : k + 1], given[-2:], strict=True):
            assert np.array_equal(frames.t_ms, part.t_ms)
            assert np.array_equal(frames.counts, part.counts)
            assert warm == (frames.temperature_c is not None)
            if frames.temperature_c is not None and part.temperature_c is not None:
                assert np.array_equal(frames.temperature_c, part.temperature_c)
    with pytest.raises(StoreError, match="some blocks have no temperature"):
        unpack(pack(Frames(parts[0].t_ms, parts[0].counts, None if warm else np.zeros(700))))
    with pytest.raises(StoreError, match="holds 5600 bytes"):
        unpack(replace(packed[0], frames=1 << 60))


@pytest.mark.parametrize("harm", [lambda b: b[:-1], lambda b: b[:20] + bytes([b[20] ^ 1]) + b[21:]])
def test_the_damaged_one_of_many_is_named(harm: Callable[[bytes], bytes]) -> None:
    """Of sessions that are unpacked together, the one with a damaged block."""
    rng = np.random.default_rng(4)
    stored = []
    for k in range(3):
        counts = rng.integers(0, 2**32, (50, 2), dtype=np.uint32)
        (block,) = to_blocks(Frames(np.arange(50), counts))
        packed = harm(block.counts) if k == 1 else block.counts
        stored.append(Stored([Block(50, block.t_ms, packed, None)], 2, f"run{k}"))
    with pytest.raises(StoreError, match="run1: a block of frames"):
        from_many(stored)


def test_noise_takes_what_its_entropy_says() -> None:
    """Normal noise of 15 counts about a level that is held has log2(15 sqrt(2 pi e)) bits (Cover and Thomas,
    Elements of Information Theory, 8.1), and takes hardly more.
    """
    n, sd = 40_000, 15.0
    counts = np.rint(20_000 + sd * np.random.default_rng(1).standard_normal((n, 4))).astype(np.uint32)
    bits = np.log2(sd * np.sqrt(2 * np.pi * np.e))
    taken = 8 * sum(len(b.counts) for b in to_blocks(Frames(np.arange(n) * 100, counts))) / (4 * n)
    assert bits < taken < 1.03 * bits


def test_regular_frames_compress_well() -> None:
    """Sixty thousand frames of slow counts take less than a fifth of their plain size."""
    n = 60_000
    rng = np.random.default_rng(1)
    counts = (20_000 + np.cumsum(rng.integers(-2, 3, (n, 4)), axis=0)).astype(np.uint32)
    blocks = list(to_blocks(Frames(np.arange(n) * 100, counts)))
    assert sum(len(b.t_ms) + len(b.counts) for b in blocks) < n * (8 + 4 * 4) / 5


@pytest.mark.parametrize(
    "harm",
    [lambda b: b[:-1], lambda b: b"\0" + b[1:], lambda b: b[:100] + bytes([b[100] ^ 1]) + b[101:]],
    ids=["cut", "head", "one bit"],
)
def test_damage_is_noticed(harm: Callable[[bytes], bytes]) -> None:
    """A cut block, a wrong beginning and a single flipped bit among the counts are errors of the store, never
    other counts.
    """
    counts = np.random.default_rng(0).integers(
        0, 2**32, (99, 2), dtype=np.uint32
    )  # nothing to compress: bit for bit in the block
    (block,) = to_blocks(Frames(np.arange(99) * 100, counts))
    with pytest.raises(StoreError, match="run7: a block of frames"):
        from_blocks([Block(block.frames, block.t_ms, harm(block.counts), None)], 2, "run7")


@pytest.mark.parametrize("frames", [0, 10, 2**40])
def test_a_wrong_number_of_frames_is_not_asked_memory_for(frames: int) -> None:
    """A row that says another number of frames is an error, however many it says."""
    (block,) = to_blocks(Frames(np.arange(9) * 100, np.arange(18, dtype=np.uint32).reshape(9, 2)))
    with pytest.raises(StoreError, match="72 bytes"):
        from_blocks([Block(frames, block.t_ms, block.counts, None)], 2)


def test_an_unknown_format_is_refused() -> None:
    """Blocks of a later version are named, not guessed at."""
    (block,) = to_blocks(Frames(np.arange(9) * 100, np.arange(18, dtype=np.uint32).reshape(9, 2)))
    with pytest.raises(StoreError, match="run7: blocks of format 4"):
        from_blocks([Block(9, block.t_ms, block.counts, None, 4)], 2, "run7")
