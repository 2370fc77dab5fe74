"""The frames of a session where they lie in the store, packed: read a few blocks at a time, as often as
they are asked for, within the transaction that they were found in.
"""

from __future__ import annotations

import hashlib
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session as OrmSession

from dataset.blocks import Block
from dataset.errors import StoreError
from dataset.long_frames import WINDOW, KeptBlocks, LongFrames
from dataset.records import ID_DIGITS, Recording, Session
from dataset.store.reading.frames import channels_of, check_number
from dataset.store.sessions import frames
from dataset.store.tables import BlockRow, SessionRow


class StoredBlocks(KeptBlocks):
    """The blocks of the session with this hash, ``lengths`` the bytes of each. What a block was when it was
    first read, it must be each time: whoever hashed the frames may rest on that.
    """

    def __init__(self, orm: OrmSession, sha256: str) -> None:
        self._orm, self._where = orm, f"session {sha256[:ID_DIGITS]}"
        packed = [func.length(column) for column in (BlockRow.t_ms, BlockRow.counts, BlockRow.temperature_c)]
        of_session = select(BlockRow.session_id, BlockRow.position, BlockRow.frames, *packed)
        found = orm.execute(
            of_session.join(SessionRow).where(SessionRow.sha256 == sha256).order_by(BlockRow.position)
        ).all()
        super().__init__(row.frames for row in found)
        self.lengths = [sum(length or 0 for length in row[3:]) for row in found]
        self._row_id = found[0].session_id if found else None
        self._positions = [row.position for row in found]
        self._seen: list[bytes | None] = [None] * len(found)

    def fetched(self, start: int, stop: int) -> list[Block]:
        """Blocks ``start`` to ``stop``; StoreError for one that is another than before."""
        columns = (BlockRow.frames, BlockRow.t_ms, BlockRow.counts, BlockRow.temperature_c, BlockRow.format)
        if start >= stop:
            return []
        first, last = self._positions[start], self._positions[stop - 1]
        found = (
            select(*columns)
            .where(BlockRow.session_id == self._row_id, BlockRow.position.between(first, last))
            .order_by(BlockRow.position)
        )
        blocks = [Block(*row) for row in self._orm.execute(found)]
        if len(blocks) != stop - start or not all(map(self._as_seen, range(start, stop), blocks)):
            raise StoreError(
                self._where,
                "its frames changed while they were read",
                "",
                "try again, with a copy of the store",
            )
        return blocks

    def _as_seen(self, place: int, block: Block) -> bool:
        now = _digest(block)
        before = self._seen[place] = self._seen[place] or now
        return now == before


def _digest(block: Block) -> bytes:
    parts: list[Any] = [block.t_ms, block.counts, block.temperature_c or b""]
    head = repr((block.frames, block.format, *map(len, parts)))
    return hashlib.sha256(b"".join([head.encode(), *parts])).digest()


def recording(orm: OrmSession, session: Session) -> Recording:
    """The frames of a session, as arrays where they are not too many for that, else as they lie in the store;
    StoreError where they are not as many as it has.
    """
    if session.frames <= WINDOW:
        return frames(orm, session)
    stored = StoredBlocks(orm, session.sha256)
    check_number(session, sum(stored.sizes))
    return LongFrames(stored, channels_of(session), where=f"session {session.id}")
