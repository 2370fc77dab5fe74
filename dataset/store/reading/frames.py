"""The frames of sessions, from their packed blocks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from dataset import blocks
from dataset.errors import StoreError
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
            blocks.Stored(own, channels_of(session), f"session {session.id}")
            for session, own in zip(sessions, packed, strict=True)
        ]
    )
    for session, recorded in zip(sessions, frames, strict=True):
        check_number(session, len(recorded))
    return frames


def channels_of(session: Session) -> int:
    """How many counts a frame has, as the session was sealed."""
    return (session.as_sealed or session).mounting.sensor.channels


def check_number(session: Session, number: int) -> None:
    """StoreError unless the session has as many frames as were read."""
    if number != session.frames:
        hint = "blocks of its frames are missing or changed; use a copy of the store"
        raise StoreError(
            f"session {session.id}", f"{counted(number, 'frame')} are there", f"{session.frames}", hint
        )
