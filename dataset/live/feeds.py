"""Bytes of several ports side by side: a thread a port reads them, and stamps them with the time."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from dataset.live.board import ByteSource, SourceEnded, SourceLost

RETRY_S = 0.5
MOST_WAITING = 10_000  # pieces of a port that nobody took; reading stops until somebody does


class News(Enum):
    """What happened on a port."""

    BYTES = "bytes"
    LOST = "lost"
    FOUND = "found"
    ENDED = "ended"


@dataclass(frozen=True)
class Piece:
    """What came from a port, and when, in seconds of the clock."""

    news: News
    at_s: float
    data: bytes = b""


class Feed:
    """Reads a source in a thread of its own until it ends or is closed; a port that is lost is waited for.

    ``clock``: seconds, rising. ``error`` is what ended the thread where nothing should have.
    """

    def __init__(self, source: ByteSource, clock: Callable[[], float]) -> None:
        self.source, self._clock = source, clock
        self.error: BaseException | None = None
        self._pieces: queue.Queue[Piece] = queue.Queue(MOST_WAITING)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=source.name, daemon=True)
        self._thread.start()

    def take(self) -> list[Piece]:
        """All that came since the last call."""
        if self.error is not None:
            raise self.error
        pieces: list[Piece] = []
        while not self._pieces.empty():
            pieces.append(self._pieces.get_nowait())
        return pieces

    def close(self) -> None:
        """Stop reading and let go of the port."""
        self._stop.set()
        self._thread.join(timeout=2.0)
        self.source.close()

    def _run(self) -> None:
        lost = False
        try:
            while not self._stop.is_set():
                if lost:
                    self._stop.wait(RETRY_S)
                    lost = not self.source.reopen()
                    if not lost:
                        self._put(News.FOUND)
                    continue
                try:
                    data = self.source.read()
                except SourceLost:
                    lost = True
                    self._put(News.LOST)
                else:
                    if data:
                        self._put(News.BYTES, data)
        except SourceEnded:
            self._put(News.ENDED)
        except BaseException as error:
            self.error = error

    def _put(self, news: News, data: bytes = b"") -> None:
        piece = Piece(news, self._clock(), data)
        while not self._stop.is_set():
            try:
                self._pieces.put(piece, timeout=RETRY_S)
            except queue.Full:
                continue
            return
