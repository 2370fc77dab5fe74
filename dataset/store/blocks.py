"""Frames as compressed column blocks: a few thousand frames each, one packed text of bytes a column.

Packing, format 2: little-endian integers (a float column by its bits), each frame's difference to the one
before, modulo the word; differences folded, so that small ones of either sign are small numbers (0, -1, 1, -2
become 0, 1, 2, 3); channel after channel; the bytes of all words sorted by place, which puts the many equal
high bytes side by side; zstd with a checksum. Format 1, which is read but not written any more, doesn't fold.
Lossless for every input.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import zstandard
from numpy.typing import NDArray

from dataset.errors import StoreError
from dataset.records import Frames

FORMAT = 2
READABLE = (1, FORMAT)
BLOCK_FRAMES = 4096
LEVEL = 3  # of zstd; what is left are the low bytes of noise, which no level makes smaller

Words = NDArray[np.unsignedinteger]


@dataclass(frozen=True)
class Block:
    """``frames`` consecutive frames, each column packed."""

    frames: int
    t_ms: bytes
    counts: bytes
    temperature_c: bytes | None
    format: int = FORMAT


def to_blocks(frames: Frames, block_frames: int = BLOCK_FRAMES, level: int = LEVEL) -> Iterator[Block]:
    """Cut ``frames`` into blocks of at most ``block_frames`` and pack each."""
    for start in range(0, len(frames), block_frames):
        part = slice(start, start + block_frames)
        yield Block(
            frames=len(frames.t_ms[part]),
            t_ms=_pack(frames.t_ms[part].astype("<i8").view("<u8")[:, None], level),
            counts=_pack(frames.counts[part].astype("<u4", copy=False), level),
            temperature_c=None
            if frames.temperature_c is None
            else _pack(frames.temperature_c[part].astype("<f8").view("<u8")[:, None], level),
        )


def from_blocks(blocks: Sequence[Block], channels: int, where: str = "frames") -> Frames:
    """The frames of ``blocks`` in order; StoreError when a block is damaged or of a format that
    is not known.
    """
    for b in blocks:  # a damaged number of frames must not be asked memory for
        _check_size(b.t_ms, 8 * b.frames, where)
    total = sum(b.frames for b in blocks)
    t_ms, counts = np.empty((total, 1), "<u8"), np.empty((total, channels), "<u4")
    warm = np.empty((total, 1), "<u8") if blocks and blocks[0].temperature_c is not None else None
    at = 0
    for b in blocks:
        if (b.temperature_c is None) != (warm is None):
            raise StoreError(where, "some blocks have no temperature")
        part = slice(at, at + b.frames)
        _unpack(b.t_ms, b.format, t_ms[part], where)
        _unpack(b.counts, b.format, counts[part], where)
        if warm is not None and b.temperature_c is not None:
            _unpack(b.temperature_c, b.format, warm[part], where)
        at += b.frames
    return Frames(
        t_ms=t_ms[:, 0].view("<i8").astype(np.int64, copy=False),
        counts=counts.astype(np.uint32, copy=False),
        temperature_c=None if warm is None else warm[:, 0].view("<f8").astype(np.float64, copy=False),
    )


def temperatures(packed: bytes, format_: int, frames: int, where: str = "frames") -> NDArray[np.float64]:
    """The temperatures of one block of ``frames`` frames; StoreError as from :func:`from_blocks`."""
    _check_size(packed, 8 * frames, where)
    words = np.empty((frames, 1), "<u8")
    _unpack(packed, format_, words, where)
    return words[:, 0].view("<f8").astype(np.float64, copy=False)


def _pack(words: Words, level: int) -> bytes:
    """Pack unsigned words of shape (frames, channels)."""
    columns = words.T
    steps = columns.copy(order="C")
    steps[:, 1:] = columns[:, 1:] - columns[:, :-1]  # unsigned: wraps, and so does the sum that undoes it
    top = 8 * words.dtype.itemsize - 1
    folded = (steps << 1) ^ -(steps >> top)
    places = folded.view(np.uint8).reshape(-1, words.dtype.itemsize).T
    return zstandard.ZstdCompressor(level=level, write_checksum=True).compress(places.tobytes())


def _unpack(packed: bytes, format_: int, into: Words, where: str) -> None:
    """Undo :func:`_pack` into an array of shape (frames, channels)."""
    if format_ not in READABLE:
        raise StoreError(
            where,
            f"blocks of format {format_}",
            f"format {READABLE[0]} to {READABLE[-1]}",
            "install the version of innage that wrote them",
        )
    _check_size(packed, into.nbytes, where)
    try:
        plain = zstandard.ZstdDecompressor().decompress(packed)
    except zstandard.ZstdError as error:
        raise _damaged(where, error) from error
    dtype = into.dtype
    places = np.frombuffer(plain, np.uint8).reshape(dtype.itemsize, -1)
    steps = np.ascontiguousarray(places.T).view(dtype).reshape(into.shape[::-1])
    if format_ > 1:
        steps = (steps >> 1) ^ np.negative(steps & 1, dtype=dtype)
    np.cumsum(steps, axis=1, dtype=dtype, out=into.T)


def _check_size(packed: bytes, size: int, where: str) -> None:
    """StoreError unless ``packed`` says that it holds ``size`` bytes; zstd holds itself to that."""
    try:
        size_inside = zstandard.frame_content_size(packed)
    except zstandard.ZstdError as error:
        raise _damaged(where, error) from error
    if size_inside != size:
        raise StoreError(
            where, f"a block of frames holds {size_inside} bytes", f"{size}", "use a copy of the store"
        )


def _damaged(where: str, error: zstandard.ZstdError) -> StoreError:
    return StoreError(where, f"a block of frames is damaged ({error})", "", "use a copy of the store")
