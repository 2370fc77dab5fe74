"""Live captures that are not sealed yet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dataset.records import (
    Frames,
    Liquid,
    Mounting,
    NewSession,
    Session,
    Unit,
)
from dataset.store import open_captures
from dataset.store.doors.transactions import Transactions
from dataset.store.open_captures import OpenCapture


class CapturesDoor(Transactions):
    """Open captures: begun, grown, sealed or discarded."""

    def begin_capture(
        self, name: str, unit: Unit, liquid: Liquid, mounting: Mounting, settings: Mapping[str, Any]
    ) -> OpenCapture:
        """Open a live capture under a new name; ``settings`` is whatever the front end has to know when it
        goes on.
        """
        return self._write(lambda orm: open_captures.begin(orm, name, unit, liquid, mounting, settings))

    def append_to_capture(
        self, known: OpenCapture, frames: Frames, entries: Sequence[Mapping[str, Any]]
    ) -> int:
        """Add frames and entries to a capture as it is ``known`` to the writer; how many blocks
        were written.
        """
        return self._write(
            lambda orm: open_captures.append(
                orm, known.name, known.blocks, len(known.entries), frames, entries
            )
        )

    def open_capture(self, name: str) -> OpenCapture:
        """The open capture called ``name``; NotFoundError lists those that are open."""
        return self._read(lambda orm: open_captures.to_open(open_captures.row_of(orm, name)))

    def open_captures(self) -> tuple[OpenCapture, ...]:
        """All open captures, oldest first."""
        return self._read(
            lambda orm: tuple(open_captures.to_open(row) for row in open_captures.all_rows(orm))
        )

    def open_frames(self, name: str) -> Frames:
        """The frames of an open capture so far."""
        return self._read(lambda orm: open_captures.frames_of(orm, name))

    def seal_capture(self, name: str, new: NewSession) -> Session:
        """Make an open capture the session ``new`` and remove it, both or neither; checked like every
        session.
        """
        return self._write(lambda orm: open_captures.seal(orm, name, new))

    def discard_capture(self, name: str) -> None:
        """Remove an open capture and everything in it."""
        self._write(lambda orm: open_captures.discard(orm, name))
