"""The frames of sessions, from their packed blocks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, Self

from dataset import blocks
from dataset.errors import StoreError
from dataset.readings_hashes import ReadingsHasher, ReadingsHashes
from dataset.records import Frames, Session
from dataset.words import counted

if TYPE_CHECKING:
    from dataset.store.tables import BlockRow


def frames_of(stored: Iterable[BlockRow | blocks.Block], session: Session) -> Frames:
    """The frames in the blocks of a session, which are all of them; StoreError else."""
    packed = [blocks.Block(b.frames, b.t_ms, b.counts, b.temperature_c, b.format) for b in stored]
    return unpacked([session], [packed])[0]


def unpacked(sessions: Sequence[Session], packed: Sequence[Sequence[blocks.Block]]) -> list[Frames]:
    """The frames in the blocks of each session, each channel's counts side by side in memory; StoreError
    where they are not as many as it has.
    """
    frames = blocks.from_many(
        [
            blocks.Stored(
                own, (session.as_sealed or session).mounting.sensor.channels, f"session {session.id}"
            )
            for session, own in zip(sessions, packed, strict=True)
        ]
    )
    for session, recorded in zip(sessions, frames, strict=True):
        _check_number(session, len(recorded))
    return frames


def _check_number(session: Session, number: int) -> None:
    if number != session.frames:
        hint = "blocks of its frames are missing or changed; use a copy of the store"
        raise StoreError(
            f"session {session.id}", f"{counted(number, 'frame')} are there", f"{session.frames}", hint
        )


class BlocksHasher:
    """The hashes of a session's frames, of its blocks as they come: one is unpacked on another thread while
    the one before is hashed, so that there are never more than two.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._channels = (session.as_sealed or session).mounting.sensor.channels
        self._unpack: blocks.Unpacker | None = None
        self._hasher = ReadingsHasher(self._channels, warm=False)
        self._number = 0
        self._unpacking: Future[Frames] | None = None
        self._thread = ThreadPoolExecutor(1)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.shutdown()

    def add(self, block: blocks.Block) -> None:
        """The next block; StoreError for one that is damaged, which may be that before."""
        if self._unpack is None:
            warm = block.temperature_c is not None
            self._unpack = blocks.Unpacker(self._channels, warm, f"session {self._session.id}", kept=2)
            self._hasher = ReadingsHasher(self._channels, warm)
        before, self._unpacking = self._unpacking, self._thread.submit(self._unpack, block)
        self._hash(before)

    def hashes(self) -> ReadingsHashes:
        """Those of all blocks; StoreError where they hold not as many frames as the session has."""
        self._hash(self._unpacking)
        self._unpacking = None
        _check_number(self._session, self._number)
        return self._hasher.hashes()

    def _hash(self, unpacking: Future[Frames] | None) -> None:
        if unpacking is not None:
            frames = unpacking.result()
            self._number += len(frames)
            self._hasher.add(frames)
