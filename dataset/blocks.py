"""Frames as compressed column blocks: some thousand frames each, one packed text of bytes a column.

Packing, format 3, of times and temperatures: little-endian integers (a temperature by its bits), each frame's
difference to the one before, modulo the word; differences folded, so that small ones of either sign are small
numbers (0, -1, 1, -2 become 0, 1, 2, 3); the bytes of all words sorted by place, which puts the many equal
high bytes side by side; zstd with a checksum.

Counts are cut, channel by channel, into pieces of 128 frames. A piece that stands still is its mean and each
frame's difference to that, one that moves is its first count and each frame's difference to the one before,
whichever gives smaller numbers: about a level that is held, differences to the mean have half the variance of
those between frames. The words are, each for channel after channel: whether the pieces stand still (1) or
move (0); the mean or first count of each piece, folded, as a difference to that of the piece before; the
folded differences of the pieces; those of the frames behind the last whole piece, to the frame before.

Formats 1 and 2 are read but not written any more: counts are packed as times are, and format 1 doesn't fold.
Lossless for every input.
"""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import zstandard
from numpy.typing import NDArray

from dataset.errors import StoreError
from dataset.packed_columns import FOLDED, FORMAT, PIECED, check_format, check_size, plain
from dataset.records import Frames, Recording
from dataset.threads import begun, each

BLOCK_FRAMES = 16384
PIECE_FRAMES = 128
_LONG = 4096  # frames of a block, from which on its arrays are no short ones
_LEAST_SCRATCH, _MOST_SCRATCH = 1 << 16, 1 << 22  # bytes
LEVEL = 1  # of zstd; what is left are the low bytes of noise, which no level makes smaller

_of_thread = threading.local()
Words = NDArray[np.unsignedinteger]


@dataclass(frozen=True)
class Block:
    """``frames`` consecutive frames, each column packed."""

    frames: int
    t_ms: bytes
    counts: bytes
    temperature_c: bytes | None
    format: int = FORMAT


def to_blocks(frames: Recording, block_frames: int = BLOCK_FRAMES, level: int = LEVEL) -> Sequence[Block]:
    """Cut ``frames`` into blocks of at most ``block_frames`` and pack each."""
    return packing(frames, block_frames, level)()


def packing(
    frames: Recording, block_frames: int = BLOCK_FRAMES, level: int = LEVEL
) -> Callable[[], Sequence[Block]]:
    """As :func:`to_blocks`, begun on other threads; the call of what is returned waits for the blocks, which
    frames may carry.
    """
    carried: Sequence[Block] = getattr(frames, "blocks", ())
    if carried and (block_frames, level) == (BLOCK_FRAMES, LEVEL):
        return lambda: carried

    def packed(start: int) -> Block:
        part, warm = slice(start, start + block_frames), frames.temperature_c
        return pack(
            Frames(frames.t_ms[part], frames.counts[part], None if warm is None else warm[part]), level
        )

    starts = range(0, len(frames), block_frames)
    if len(frames) < _LONG:  # packed sooner than a thread starts
        blocks = [packed(start) for start in starts]
        return lambda: blocks
    return begun(packed, starts)


def pack(frames: Frames, level: int = LEVEL) -> Block:
    """All frames as one block."""
    warm = frames.temperature_c
    return Block(
        frames=len(frames),
        t_ms=_pack(_bits(frames.t_ms, "<i8"), level),
        counts=_pack_counts(frames.counts.astype("<u4", copy=False), level),
        temperature_c=None if warm is None else _pack(_bits(warm, "<f8"), level),
    )


def renewed(block: Block, channels: int) -> Block:
    """The block as it is packed today: one of an older format is packed anew."""
    return block if block.format == FORMAT else pack(from_blocks([block], channels))


def from_blocks(blocks: Sequence[Block], channels: int, where: str = "frames") -> Frames:
    """The frames of ``blocks`` in order, each channel's counts side by side in memory; StoreError when a
    block is damaged or of a format that is not known.
    """
    for b in blocks:  # a damaged number of frames must not be asked memory for
        check_size(b.t_ms, 8 * b.frames, where)
    stops = np.cumsum([0, *(b.frames for b in blocks)]).tolist()
    t_ms, counts = np.empty(stops[-1], "<u8"), np.empty((channels, stops[-1]), "<u4")
    warm = np.empty(stops[-1], "<u8") if blocks and blocks[0].temperature_c is not None else None

    def unpack(at: int) -> None:
        part = slice(stops[at], stops[at + 1])
        _unpack_block(blocks[at], t_ms[part], counts[:, part], None if warm is None else warm[part], where)

    each(unpack, range(len(blocks)))
    return _frames(t_ms, counts, warm)


def _unpack_block(b: Block, t_ms: Words, counts: Words, warm: Words | None, where: str) -> None:
    """Unpack a block into arrays of its size, counts of shape (channels, frames)."""
    if (b.temperature_c is None) != (warm is None):
        raise StoreError(where, "some blocks have no temperature")
    _unpack([b.t_ms], b.format, t_ms[None], [where])
    _unpack_counts([b.counts], b.format, counts, [where])
    if warm is not None and b.temperature_c is not None:
        _unpack([b.temperature_c], b.format, warm[None], [where])


class Unpacker:
    """Unpacks the blocks of one session one after the other into the same memory, which takes half as long as
    into new memory for each.

    Args:
        channels: of each frame.
        warm: whether there is a column of temperature.
        where: names the session in errors.
        kept: how many blocks are whole at a time: what is given is overwritten by so many later calls.
    """

    def __init__(self, channels: int, warm: bool, where: str, kept: int = 1) -> None:
        self._channels, self._warm, self._where, self._kept = channels, warm, where, kept
        self._room: list[tuple[Words, Words, Words | None]] = []
        self._next = 0

    def __call__(self, block: Block) -> Frames:
        """The frames of ``block``, as :func:`from_blocks` gives them."""
        check_size(block.t_ms, 8 * block.frames, self._where)
        size, at = block.frames, self._next % self._kept
        self._next += 1
        if at == len(self._room):
            self._room.append(self._arrays(size))
        elif len(self._room[at][0]) < size:
            self._room[at] = self._arrays(size)
        t_ms, counts, warm = self._room[at]
        own = t_ms[:size], counts[:, :size], None if warm is None else warm[:size]
        _unpack_block(block, *own, self._where)
        return _frames(*own)

    def _arrays(self, size: int) -> tuple[Words, Words, Words | None]:
        warm = np.empty(size, "<u8") if self._warm else None
        return np.empty(size, "<u8"), np.empty((self._channels, size), "<u4"), warm


@dataclass(frozen=True)
class Stored:
    """The blocks of one session, in order; ``where`` names it in errors."""

    blocks: Sequence[Block]
    channels: int
    where: str


def from_many(stored: Sequence[Stored]) -> list[Frames]:
    """The frames of many sessions, each as from :func:`from_blocks`: those of one block each and as many
    frames are unpacked together, since short arrays cost more in calls than in numbers.
    """
    alike: defaultdict[tuple[int, ...], list[int]] = defaultdict(list)
    unpacked: list[Frames | None] = [None] * len(stored)
    for k, session in enumerate(stored):
        if len(session.blocks) == 1 and session.blocks[0].frames < _LONG:
            (b,) = session.blocks
            alike[b.frames, session.channels, b.format, b.temperature_c is None].append(k)
        else:
            unpacked[k] = from_blocks(session.blocks, session.channels, session.where)
    for places in alike.values():
        for k, frames in zip(places, _together([stored[k] for k in places]), strict=True):
            unpacked[k] = frames
    return [frames for frames in unpacked if frames is not None]


def _together(stored: Sequence[Stored]) -> Iterator[Frames]:
    """The frames of sessions of one block each, with as many frames and channels and the same columns."""
    blocks, wheres = [session.blocks[0] for session in stored], [session.where for session in stored]
    number, channels, frames, format_ = len(stored), stored[0].channels, blocks[0].frames, blocks[0].format
    for b, where in zip(blocks, wheres, strict=True):
        check_size(b.t_ms, 8 * b.frames, where)
    t_ms, counts = np.empty((number, frames), "<u8"), np.empty((number * channels, frames), "<u4")
    _unpack([b.t_ms for b in blocks], format_, t_ms, wheres)
    _unpack_counts([b.counts for b in blocks], format_, counts, wheres)
    packed = [b.temperature_c for b in blocks if b.temperature_c is not None]
    warm = np.empty((number, frames), "<u8") if packed else None
    if warm is not None:
        _unpack(packed, format_, warm, wheres)
    for k in range(number):
        yield _frames(t_ms[k], counts[k * channels : (k + 1) * channels], None if warm is None else warm[k])


def _frames(t_ms: Words, counts: Words, warm: Words | None) -> Frames:
    return Frames(
        t_ms=t_ms.view("<i8").astype(np.int64, copy=False),
        counts=counts.T.astype(np.uint32, copy=False),
        temperature_c=None if warm is None else warm.view("<f8").astype(np.float64, copy=False),
    )


def frame_by_frame(frames: Frames) -> Frames:
    """The same frames, each one's counts side by side in memory, as whoever computes with them expects."""
    return Frames(frames.t_ms, np.ascontiguousarray(frames.counts), frames.temperature_c)


def times(packed: bytes, format_: int, frames: int, where: str = "frames") -> NDArray[np.int64]:
    """The times of one block of ``frames`` frames; StoreError as from :func:`from_blocks`."""
    check_size(packed, 8 * frames, where)
    words = np.empty((1, frames), "<u8")
    _unpack([packed], format_, words, [where])
    t_ms: NDArray[np.int64] = words[0].view("<i8").astype(np.int64, copy=False)
    return t_ms


def temperatures(packed: bytes, format_: int, frames: int, where: str = "frames") -> NDArray[np.float64]:
    """The temperatures of one block of ``frames`` frames; StoreError as from :func:`from_blocks`."""
    check_size(packed, 8 * frames, where)
    words = np.empty((1, frames), "<u8")
    _unpack([packed], format_, words, [where])
    degrees: NDArray[np.float64] = words[0].view("<f8").astype(np.float64, copy=False)
    return degrees


def _bits(values: NDArray[np.int64] | NDArray[np.float64], kind: str) -> Words:
    """Values of 8 bytes as one channel of words."""
    return values.astype(kind).view("<u8")[None, :]


def _pack(columns: Words, level: int) -> bytes:
    """Pack unsigned words of shape (channels, frames) by their differences."""
    steps = columns.copy()
    steps[:, 1:] -= columns[:, :-1]  # unsigned: wraps, and so does the sum that undoes it
    return _compress([_fold(steps)], level)


def _pack_counts(counts: Words, level: int) -> bytes:
    """Pack counts of shape (frames, channels) in pieces."""
    columns = np.ascontiguousarray(counts.T)
    channels, frames = columns.shape
    whole = frames // PIECE_FRAMES * PIECE_FRAMES
    pieces = columns[:, :whole].reshape(channels, -1, PIECE_FRAMES)
    means = (pieces.sum(axis=2, dtype="<u8") // PIECE_FRAMES).astype("<u4")
    around = _fold(pieces - means[..., None])
    moves = pieces.copy()
    moves[..., 1:] -= pieces[..., :-1]
    moves[..., 0] = 0
    moves = _fold(moves)
    still = around.sum(axis=2, dtype="<u8") < moves.sum(axis=2, dtype="<u8")
    bases = np.where(still, means, pieces[..., 0])
    bases[:, 1:] -= bases[:, :-1].copy()
    np.copyto(moves, around, where=still[..., None])
    rest = columns[:, whole:].copy()
    rest[:, whole == 0 :] -= columns[:, max(whole - 1, 0) : -1]
    return _compress([still.astype("<u4"), _fold(bases), moves, _fold(rest)], level)


def _compress(parts: Iterable[Words], level: int) -> bytes:
    words = np.concatenate([part.ravel() for part in parts])
    highest = int(words.max(initial=0))
    places = np.zeros((words.dtype.itemsize, len(words)), np.uint8)
    for place in range((highest.bit_length() + 7) // 8):
        places[place] = words.view(np.uint8)[place :: words.dtype.itemsize]
    return zstandard.ZstdCompressor(level=level, write_checksum=True).compress(places.data)


def _unpack(packed: Sequence[bytes], format_: int, into: Words, wheres: Sequence[str]) -> None:
    """Undo :func:`_pack` into an array of shape (texts * channels, frames)."""
    steps = _words(packed, format_, into.size // len(packed), into.dtype, wheres).reshape(into.shape)
    np.cumsum(steps, axis=1, dtype=into.dtype, out=into)


def _unpack_counts(packed: Sequence[bytes], format_: int, into: Words, wheres: Sequence[str]) -> None:
    """Undo :func:`_pack_counts` into an array of shape (texts * channels, frames)."""
    if format_ < PIECED:
        _unpack(packed, format_, into, wheres)
        return
    columns, frames = into.shape
    channels, pieces = columns // len(packed), frames // PIECE_FRAMES
    whole, told = pieces * PIECE_FRAMES, channels * pieces
    words = _words(packed, format_, 2 * told + channels * frames, into.dtype, wheres)
    moving = words[:, :told].ravel() == 0
    bases = np.cumsum(words[:, told : 2 * told].reshape(columns, pieces), axis=1, dtype=into.dtype)
    steps = words[:, 2 * told : 2 * told + channels * whole].reshape(-1, PIECE_FRAMES)
    if moving.any():
        steps[moving] = np.cumsum(steps[moving], axis=1, dtype=into.dtype)
    np.add(
        steps.reshape(columns, pieces, PIECE_FRAMES),
        bases[..., None],
        out=into[:, :whole].reshape(columns, pieces, PIECE_FRAMES),
    )
    if whole < frames:
        rest = words[:, 2 * told + channels * whole :].reshape(columns, frames - whole)
        if whole:
            rest[:, 0] += into[:, whole - 1]
        np.cumsum(rest, axis=1, dtype=into.dtype, out=into[:, whole:])


def _words(
    packed: Sequence[bytes], format_: int, size: int, dtype: np.dtype[Any], wheres: Sequence[str]
) -> Words:
    """The words of packed columns of ``size`` words each, unfolded, shape (texts, size), in memory that is
    used again by the next call.
    """
    check_format(format_, wheres[0])
    content = b"".join(
        plain(text, size * dtype.itemsize, where) for text, where in zip(packed, wheres, strict=True)
    )
    places = np.frombuffer(content, np.uint8).reshape(len(packed), dtype.itemsize, size)
    words = _scratch("words", (len(packed), size), dtype)
    words[...] = places[:, 0]
    for place in range(1, dtype.itemsize):
        if places[:, place].any():  # most high places are empty
            words.view(np.uint8)[:, place :: dtype.itemsize] = places[:, place]
    return _unfold(words) if format_ >= FOLDED else words


def _scratch(what: str, shape: tuple[int, int], dtype: np.dtype[Any]) -> Words:
    """Memory of this thread's own for arrays that are gone before the next block is unpacked: new memory for
    each takes as long as all that is done with it.
    """
    size = shape[0] * shape[1] * dtype.itemsize
    if size > _MOST_SCRATCH:
        return np.empty(shape, dtype)
    rooms: dict[str, NDArray[np.uint8]] = _of_thread.__dict__.setdefault("rooms", {})
    if what not in rooms or len(rooms[what]) < size:
        rooms[what] = np.empty(max(size, _LEAST_SCRATCH), np.uint8)
    room: Words = rooms[what][:size].view(dtype).reshape(shape)
    return room


def _fold(steps: Words) -> Words:
    """Small differences of either sign as small numbers."""
    folded = np.left_shift(steps, np.array(1, steps.dtype))
    folded ^= np.negative(np.right_shift(steps, np.array(8 * steps.dtype.itemsize - 1, steps.dtype)))
    return folded


def _unfold(words: Words) -> Words:
    """Undo :func:`_fold` in place."""
    signs = np.bitwise_and(words, 1, out=_scratch("signs", words.shape, words.dtype))
    np.negative(signs, out=signs)
    words >>= 1
    words ^= signs
    return words
