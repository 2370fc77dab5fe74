"""Frames as compressed column blocks: a few thousand frames each, one packed text of bytes a column.

Packing, format 1: little-endian integers (a float column by its bits), each frame's difference to the one before, modulo the
word; channel after channel; the bytes of all words sorted by place, which puts the many equal high bytes side by side; zstd
with a checksum. Lossless for every input.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import zstandard
from numpy.typing import NDArray

from dataset.errors import StoreError
from dataset.records import Frames

FORMAT = 1
BLOCK_FRAMES = 4096
LEVEL = 6  # of zstd; beyond it little is gained on counts


@dataclass(frozen=True)
class Block:
    """``frames`` consecutive frames, each column packed."""

    frames: int
    t_ms: bytes
    counts: bytes
    temperature_c: bytes | None


def to_blocks(frames: Frames, block_frames: int = BLOCK_FRAMES, level: int = LEVEL) -> Iterator[Block]:
    """Cut ``frames`` into blocks of at most ``block_frames`` and pack each."""
    for start in range(0, len(frames), block_frames):
        part = slice(start, start + block_frames)
        yield Block(
            frames=len(frames.t_ms[part]),
            t_ms=_pack(frames.t_ms[part].astype("<i8").view("<u8")[:, None], level),
            counts=_pack(frames.counts[part].astype("<u4"), level),
            temperature_c=None if frames.temperature_c is None else _pack(frames.temperature_c[part].astype("<f8").view("<u8")[:, None], level),
        )


def from_blocks(blocks: list[Block], channels: int, where: str = "frames") -> Frames:
    """The frames of ``blocks`` in order; StoreError when a block is damaged."""
    t = [_unpack(b.t_ms, np.dtype("<u8"), (b.frames, 1), where)[:, 0].view("<i8") for b in blocks]
    counts = [_unpack(b.counts, np.dtype("<u4"), (b.frames, channels), where) for b in blocks]
    warm = [_unpack(b.temperature_c, np.dtype("<u8"), (b.frames, 1), where)[:, 0].view("<f8") for b in blocks if b.temperature_c is not None]
    if warm and len(warm) != len(blocks):
        raise StoreError(where, "some blocks have no temperature")
    return Frames(
        t_ms=np.concatenate(t).astype(np.int64) if t else np.zeros(0, np.int64),
        counts=np.concatenate(counts).astype(np.uint32) if counts else np.zeros((0, channels), np.uint32),
        temperature_c=np.concatenate(warm).astype(np.float64) if warm else None,
    )


def temperatures(packed: bytes, frames: int, where: str = "frames") -> NDArray[np.float64]:
    """The temperatures of one block of ``frames`` frames; StoreError when it is damaged."""
    return _unpack(packed, np.dtype("<u8"), (frames, 1), where)[:, 0].view("<f8").astype(np.float64)


def _pack(words: NDArray[np.unsignedinteger], level: int) -> bytes:
    """Pack unsigned words of shape (frames, channels)."""
    steps = words.copy()
    steps[1:] = words[1:] - words[:-1]  # unsigned: wraps, and so does the sum that undoes it
    places = np.ascontiguousarray(steps.T).view(np.uint8).reshape(-1, words.dtype.itemsize).T
    return zstandard.ZstdCompressor(level=level, write_checksum=True).compress(places.tobytes())


def _unpack(packed: bytes, dtype: np.dtype[np.unsignedinteger], shape: tuple[int, int], where: str) -> NDArray[np.unsignedinteger]:
    """Undo :func:`_pack`; ``shape`` is (frames, channels)."""
    size = shape[0] * shape[1] * dtype.itemsize
    try:
        plain = zstandard.ZstdDecompressor().decompress(packed, max_output_size=size)
    except zstandard.ZstdError as error:
        raise StoreError(where, f"a block of frames is damaged ({error})", "", "use a copy of the store") from error
    if len(plain) != size:
        raise StoreError(where, f"a block of frames holds {len(plain)} bytes", f"{size}", "use a copy of the store")
    places = np.frombuffer(plain, np.uint8).reshape(dtype.itemsize, -1)
    steps = np.ascontiguousarray(places.T).view(dtype).reshape(shape[1], shape[0])
    return np.ascontiguousarray(np.cumsum(steps, axis=1, dtype=dtype).T)
