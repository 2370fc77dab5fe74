"""Frames of a session too long to be held as arrays: packed, and unpacked a window at a time.

What computes with them asks for windows. Asking for a whole column unpacks it, which is for what cannot do
with less.
"""

from __future__ import annotations

import mmap
from abc import abstractmethod
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import overload

import numpy as np
from numpy.typing import NDArray

from dataset.blocks import Block, from_blocks, temperatures, times
from dataset.blocks_hasher import hashes_of
from dataset.readings_hashes import ReadingsHashes
from dataset.records import Frames, Recording

WINDOW = 1 << 18  # frames that are unpacked at once
_ROOM_BYTES = 8 << 20
_BLOCKS_AT_ONCE = 16  # that are fetched together
_AHEAD = 1 << 17  # frames that are unpacked with the first of them, since neighbours are asked for next


class KeptBlocks(Sequence[Block]):
    """Blocks of one session that lie elsewhere, and are fetched when they are asked for.

    Args:
        sizes: how many frames each block holds, in order.
    """

    def __init__(self, sizes: Iterable[int] = ()) -> None:
        self.sizes = list(sizes)

    @abstractmethod
    def fetched(self, start: int, stop: int) -> list[Block]:
        """Blocks ``start`` to ``stop``, which are there."""

    def __len__(self) -> int:
        return len(self.sizes)

    @overload
    def __getitem__(self, index: int) -> Block: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Block]: ...
    def __getitem__(self, index: int | slice) -> Block | Sequence[Block]:
        places = range(len(self))[index]
        if isinstance(places, int):
            return self.fetched(places, places + 1)[0]
        if places.step != 1:
            return [self[place] for place in places]
        return self.fetched(places.start, max(places.start, places.stop))

    def __iter__(self) -> Iterator[Block]:
        for start in range(0, len(self), _BLOCKS_AT_ONCE):
            yield from self[start : start + _BLOCKS_AT_ONCE]


class Stowed(KeptBlocks):
    """Blocks in memory of their own, which grows by large pieces: among arrays that come and go, many small
    blocks that stay would keep the room between them.
    """

    def __init__(self, blocks: Iterable[Block] = ()) -> None:
        super().__init__()
        self._rooms: list[mmap.mmap] = []
        self._left = 0  # bytes of the last room
        self._places: list[tuple[int, list[tuple[int, int, int] | None]]] = []
        for block in blocks:
            self.append(block)

    def append(self, block: Block) -> None:
        """Keep a block behind the others."""
        columns = [
            None if c is None else self._keep(c) for c in (block.t_ms, block.counts, block.temperature_c)
        ]
        self._places.append((block.format, columns))
        self.sizes.append(block.frames)

    def fetched(self, start: int, stop: int) -> list[Block]:
        """Copies of blocks ``start`` to ``stop``."""
        return [self._copy(place) for place in range(start, stop)]

    def _copy(self, place: int) -> Block:
        format_, columns = self._places[place]
        t_ms, counts, warm = (None if c is None else self._rooms[c[0]][c[1] : c[2]] for c in columns)
        assert t_ms is not None
        assert counts is not None
        return Block(self.sizes[place], t_ms, counts, warm, format_)

    def _keep(self, column: bytes) -> tuple[int, int, int]:
        if self._left < len(column):
            self._rooms.append(mmap.mmap(-1, max(_ROOM_BYTES, len(column))))
            self._left = len(self._rooms[-1])
        room = self._rooms[-1]
        start = len(room) - self._left
        room[start : start + len(column)] = column
        self._left -= len(column)
        return len(self._rooms) - 1, start, start + len(column)


@dataclass(frozen=True)
class PackedFrames(Frames):
    """Frames as arrays that were packed and hashed as they came in."""

    blocks: Sequence[Block] = field(default=(), compare=False, kw_only=True)
    hashes: ReadingsHashes | None = field(default=None, compare=False, kw_only=True)


class LongFrames:
    """Consecutive frames of one session, as :class:`dataset.records.Frames`, in blocks.

    Args:
        blocks: as :mod:`dataset.blocks` packs them, in order.
        channels: of each frame.
        hashes: of the readings, where somebody has them; else they are found when they are asked for.
        where: names the session in errors.
    """

    def __init__(
        self,
        blocks: Sequence[Block],
        channels: int,
        hashes: ReadingsHashes | None = None,
        where: str = "frames",
    ) -> None:
        self.blocks, self.channels = blocks, channels
        self._hashes, self._where = hashes, where
        sizes = blocks.sizes if isinstance(blocks, KeptBlocks) else [block.frames for block in blocks]
        self._starts = np.cumsum([0, *sizes])
        self._held, self._held_at = Frames(np.empty(0, np.int64), np.empty((0, channels), np.uint32)), 0

    def __len__(self) -> int:
        return int(self._starts[-1])

    @property
    def hashes(self) -> ReadingsHashes:
        """Of the readings; StoreError where a block is damaged."""
        if self._hashes is None:
            self._hashes = hashes_of(self.blocks, self.channels, self._where)
        return self._hashes

    @property
    def t_ms(self) -> NDArray[np.int64]:
        """All times, int64 (n,)."""
        return np.concatenate(list(self.times()))

    @property
    def counts(self) -> NDArray[np.uint32]:
        """All counts, uint32 (n, channels)."""
        columns = np.empty((self.channels, len(self)), np.uint32)
        for start, frames in self.windows():
            columns[:, start : start + len(frames)] = frames.counts.T
        return columns.T

    @property
    def temperature_c(self) -> NDArray[np.float64] | None:
        """All temperatures, float64 (n,) with NaN where not measured, or None."""
        return self.temperatures(0, len(self)) if self.measures_temperature else None

    @property
    def measures_temperature(self) -> bool:
        """Whether there is a column of temperature."""
        return bool(self.blocks) and self.blocks[0].temperature_c is not None

    def times(self) -> Iterator[NDArray[np.int64]]:
        """All times, part by part."""
        for block in self.blocks:
            yield times(block.t_ms, block.format, block.frames, self._where)

    def temperatures(self, start: int, stop: int) -> NDArray[np.float64]:
        """The temperatures of frames ``start`` to ``stop``, which have a column of them."""
        first, last = self._blocks_of(start, stop)
        parts = [
            temperatures(block.temperature_c, block.format, block.frames, self._where)
            for block in self.blocks[first:last]
            if block.temperature_c is not None
        ]
        at = int(self._starts[first])
        return np.concatenate([np.empty(0), *parts])[start - at : stop - at]

    def window(self, start: int, stop: int) -> Frames:
        """Frames ``start`` to ``stop``, each channel's counts side by side in memory."""
        if not self._held_at <= start <= stop <= self._held_at + len(self._held):
            first, last = self._blocks_of(start, min(max(stop, start + _AHEAD), len(self)))
            self._held = from_blocks(self.blocks[first:last], self.channels, self._where)
            self._held_at = int(self._starts[first])
        part, warm = slice(start - self._held_at, stop - self._held_at), self._held.temperature_c
        return Frames(self._held.t_ms[part], self._held.counts[part], None if warm is None else warm[part])

    def windows(self, start: int = 0, stop: int | None = None) -> Iterator[tuple[int, Frames]]:
        """Frames ``start`` to ``stop`` in order, at most :data:`WINDOW` at a time, each time with the number
        of the first.
        """
        end = len(self) if stop is None else stop
        for at in range(start, end, WINDOW):
            yield at, self.window(at, min(at + WINDOW, end))

    def _blocks_of(self, start: int, stop: int) -> tuple[int, int]:
        """The first block of frames ``start`` to ``stop``, and the one after the last."""
        first = int(np.searchsorted(self._starts, start, side="right")) - 1
        return max(first, 0), int(np.searchsorted(self._starts, stop))


def parts_of(frames: Recording) -> Iterator[Frames]:
    """Frames in order, as many at a time as are held at once."""
    if isinstance(frames, LongFrames):
        for _, part in frames.windows():
            yield part
    else:
        yield Frames(frames.t_ms, frames.counts, frames.temperature_c)


def as_arrays(frames: Recording) -> Frames:
    """All frames as arrays, for what cannot do with less."""
    return frames if isinstance(frames, Frames) else Frames(frames.t_ms, frames.counts, frames.temperature_c)
