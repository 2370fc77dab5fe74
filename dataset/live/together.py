"""Several boards at once, with one scale under the tank that they are on: many readers, one writer.

A thread a port reads (:mod:`dataset.live.feeds`); everything else happens in the caller's thread, which alone
writes to the store. While the mass on the scale stands still, each board's frames are marked with the level
that follows from it; a mark ends at the last frame before the scale was seen to move.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from dataset.errors import InnageError, InputError, StoreError
from dataset.live.board import ByteSource
from dataset.live.capture import COMMIT_S, Capture
from dataset.live.feeds import Feed, News
from dataset.live.scale import MassReader, Steadiness, Weighing
from dataset.records import Session
from dataset.words import counted

PAUSE_S = 0.05  # between two looks at all ports
TELL_S = 10.0
AGAIN_S = 60.0


@dataclass
class OnBoard:
    """A board's capture, where its bytes come from, and how it stands with it.

    ``session`` is what it became, ``fault`` why nothing more is taken from it; it is kept open then.
    """

    name: str
    capture: Capture
    source: ByteSource
    session: Session | None = None
    fault: InnageError | None = None
    ended: bool = False
    marked: bool = False
    refused: bool = False  # the mass that stands makes no level
    unwritable: bool = False
    good_frames: int = 0  # when the scale was last seen to stand still
    feed: Feed | None = field(default=None, repr=False)

    @property
    def runs(self) -> bool:
        """Whether more is taken from it."""
        return self.session is None and self.fault is None and not self.ended


def capture_together(
    boards: Sequence[OnBoard],
    scale: ByteSource | None,
    tell: Callable[[str], None],
    *,
    rule: Steadiness | None = None,
    stop_at: int | None = None,
    stop: Callable[[], bool] = lambda: False,
    clock: Callable[[], float] = time.monotonic,
    wait: Callable[[float], None] = time.sleep,
) -> None:
    """Capture from all boards until each has ``stop_at`` frames and is sealed, its stream ended and was
    sealed, or ``stop`` says so; what is not sealed is kept open.

    A fault of one board is told and ends that board's capture only. A store that is busy or full is told,
    and written to again.

    Args:
        boards: captures that were begun or resumed, changed in place.
        scale: the scale's bytes; None: nothing marks the frames.
        tell: called with sentences for a log.
        rule: when a mass stands still.
        stop_at: at least so many frames of each capture.
        stop: asked between two looks.
        clock: seconds, rising.
        wait: how to pass the time between two looks.
    """
    rule = rule or Steadiness()
    rule.check()
    together = _Together(boards, scale, tell, rule, clock)
    try:
        while not stop() and any(board.runs for board in boards):
            together.look(stop_at)
            wait(PAUSE_S)
    finally:
        together.close()


def _write(board: OnBoard) -> None:
    try:
        board.capture.commit()
    except InputError:
        board.unwritable = True  # sealed, dropped or written to by another process
        raise


class _Together:
    def __init__(
        self,
        boards: Sequence[OnBoard],
        scale: ByteSource | None,
        tell: Callable[[str], None],
        rule: Steadiness,
        clock: Callable[[], float],
    ) -> None:
        self._boards, self._tell, self._clock = boards, tell, clock
        self._masses, self._weighing = MassReader(), Weighing(rule)
        for board in boards:
            board.feed = Feed(board.source, clock)
        self._scale = None if scale is None else Feed(scale, clock)
        self._committed_at = self._told_at = clock()
        self._said_at: dict[str, float] = {}

    def look(self, stop_at: int | None) -> None:
        """Take what came, mark it, write it, and seal what is done."""
        for board in self._running():
            self._guarded(board, self._listen)
        self._weigh()
        for board in self._running():
            self._guarded(board, self._mark)
        now = self._clock()
        if now - self._committed_at >= COMMIT_S:
            self._committed_at = now
            self._commit()
        for board in self._boards:
            done = board.ended or (stop_at is not None and board.capture.frames >= stop_at)
            if done and board.session is None and board.fault is None:
                self._guarded(board, self._seal)
        if now - self._told_at >= TELL_S:
            self._told_at = now
            self._tell("; ".join(map(self._state, self._running())))

    def close(self) -> None:
        """Write what is not written and let go of the ports."""
        for board in self._boards:
            if board.feed is not None:
                board.feed.close()
        if self._scale is not None:
            self._scale.close()
        for board in self._running():
            self._guarded(board, self._listen)  # what came since the last look
        self._commit()

    def _running(self) -> list[OnBoard]:
        return [board for board in self._boards if board.runs]

    def _guarded(self, board: OnBoard, work: Callable[[OnBoard], None]) -> None:
        try:
            work(board)
        except StoreError as error:
            self._tell_again(f"{board.name}: not saved yet, trying again: {error}")
        except InnageError as error:
            board.fault = error
            self._tell(f"{board.name}: {error}. This board's capture ends here and is kept open")

    def _tell_again(self, sentence: str) -> None:
        """Tell what is met again and again once a minute."""
        now = self._clock()
        if now - self._said_at.get(sentence, -AGAIN_S) >= AGAIN_S:
            self._said_at[sentence] = now
            self._tell(sentence)

    def _listen(self, board: OnBoard) -> None:
        for piece in board.feed.take() if board.feed is not None else ():
            if piece.news is News.BYTES:
                board.capture.feed(piece.data)
            elif piece.news is News.LOST:
                board.capture.lost()
                board.marked = False
                self._tell(f"{board.name}: port lost, waiting for it to come back")
            elif piece.news is News.FOUND:
                board.capture.found()
                self._tell(f"{board.name}: found port {board.source.name}")
            else:
                board.capture.ended()
                board.ended = True

    def _weigh(self) -> None:
        """Take what the scale sent; as long as the mass stands, each board's frames so far do too."""
        if self._scale is None:
            return
        for piece in self._scale.take():
            if piece.news is News.BYTES:
                for mass in self._masses.feed(piece.data):
                    self._take_mass(mass, piece.at_s)
            elif piece.news is News.FOUND:
                self._tell(f"scale: found port {self._scale.source.name}")
            else:
                self._masses.cut()
                self._weighing.lose()
                self._end_marks()
                self._tell("scale: port lost, waiting for it to come back")
        self._weighing.quiet(self._clock())
        if self._weighing.held is None:
            self._end_marks()

    def _take_mass(self, mass: float, at_s: float) -> None:
        before = self._weighing.held
        self._weighing.take(mass, at_s)
        if before is not None and self._weighing.held is None:
            self._end_marks()
        if self._weighing.held is not None:
            for board in self._boards:
                board.good_frames = board.capture.frames

    def _end_marks(self) -> None:
        """The mass moves, or is not known: marks end where it was last seen to stand."""
        for board in self._boards:
            if board.marked and board.runs:
                board.capture.end_mark(board.good_frames)
            board.marked = board.refused = False

    def _mark(self, board: OnBoard) -> None:
        held = self._weighing.held
        if held is None or board.marked or board.refused or not board.capture.flows:
            return
        try:
            said = board.capture.enter(f"{held:.3f} g")
        except InputError as error:
            board.refused = True
            self._tell(f"{board.name}: {held:.1f} g gives no level ({error}): its frames are not marked")
            return
        board.marked = True
        self._tell(f"{board.name}: {held:.1f} g, {said}")

    def _commit(self) -> None:
        for board in self._boards:
            if board.session is None and not board.unwritable:
                self._guarded(board, _write)

    def _seal(self, board: OnBoard) -> None:
        if board.marked:
            board.capture.end_mark(board.good_frames)
        board.session = board.capture.seal()
        if board.feed is not None:
            board.feed.close()
        self._tell(
            f"{board.name}: sealed as session {board.session.id}, {counted(board.session.frames, 'frame')}"
        )

    def _state(self, board: OnBoard) -> str:
        view = board.capture.view()
        rate = f"{view.rate_hz:.1f}/s" if view.connected else "port lost"
        return (
            f"{view.name}: {counted(view.frames, 'frame')} ({view.committed} saved), {rate}, "
            f"{counted(view.marks, 'mark')}"
        )
