"""The hashes of a session's frames from its packed blocks, without all frames in memory."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Self

from dataset import blocks
from dataset.readings_hashes import ReadingsHasher, ReadingsHashes
from dataset.records import Frames


class BlocksHasher:
    """Hashes blocks as they come: one is unpacked on another thread while the one before is hashed, so that
    there are never more than two.

    Args:
        channels: of each frame.
        where: names the session in errors.
    """

    def __init__(self, channels: int, where: str) -> None:
        self._channels, self._where = channels, where
        self._unpack: blocks.Unpacker | None = None
        self._hasher = ReadingsHasher(channels, warm=False)
        self._unpacking: Future[Frames] | None = None
        self._thread = ThreadPoolExecutor(1)
        self.frames = 0  # that were hashed

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.shutdown()

    def add(self, block: blocks.Block) -> None:
        """The next block; StoreError for one that is damaged, which may be that before."""
        if self._unpack is None:
            warm = block.temperature_c is not None
            self._unpack = blocks.Unpacker(self._channels, warm, self._where, kept=2)
            self._hasher = ReadingsHasher(self._channels, warm)
        before, self._unpacking = self._unpacking, self._thread.submit(self._unpack, block)
        self._hash(before)

    def hashes(self) -> ReadingsHashes:
        """Those of all blocks."""
        self._hash(self._unpacking)
        self._unpacking = None
        return self._hasher.hashes()

    def _hash(self, unpacking: Future[Frames] | None) -> None:
        if unpacking is not None:
            frames = unpacking.result()
            self.frames += len(frames)
            self._hasher.add(frames)


def hashes_of(packed: Iterable[blocks.Block], channels: int, where: str) -> ReadingsHashes:
    """The hashes of the frames in these blocks; StoreError where one is damaged."""
    with BlocksHasher(channels, where) as hasher:
        for block in packed:
            hasher.add(block)
        return hasher.hashes()
