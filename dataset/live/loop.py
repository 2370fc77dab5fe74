"""The loop of a live capture: bytes in, entries taken, what has come in committed and shown."""

from __future__ import annotations

import time
from collections.abc import Callable

from dataset.errors import InputError
from dataset.live.board import ByteSource, SourceEnded, SourceLost
from dataset.live.capture import COMMIT_S, Capture
from dataset.live.stated import View

RETRY_S = 0.5


def run(
    capture: Capture,
    source: ByteSource,
    entry: Callable[[View], str | None],
    show: Callable[[View], None],
    *,
    stop_at: int | None = None,
    stop: Callable[[], bool] = lambda: False,
    clock: Callable[[], float] = time.monotonic,
    wait: Callable[[float], None] = time.sleep,
) -> None:
    """Capture until the plan is done, ``stop_at`` frames are there, 'done' is entered, the stream ends or
    ``stop`` says so; never seals.

    Whatever ends it, what has come in is committed. A port that is lost is waited for.

    Args:
        capture: where frames and entries go.
        source: where bytes come from.
        entry: given the view, the operator's next entry, or None.
        show: called after every read.
        stop_at: at least so many frames of the whole capture.
        stop: asked before every read.
        clock: seconds, rising.
        wait: how to pass the time while the port is gone.
    """
    committed_at = clock()
    try:
        while not stop() and not capture.finished and (stop_at is None or capture.frames < stop_at):
            if not _listen(capture, source, wait) or not _attend(capture, entry):
                return
            if capture.due() or clock() - committed_at >= COMMIT_S:
                capture.commit()
                committed_at = clock()
            show(capture.view())
    finally:
        capture.commit()
        show(capture.view())


def _attend(capture: Capture, entry: Callable[[View], str | None]) -> bool:
    """Take one entry of the operator's, if there is one; False for 'done'."""
    text = entry(capture.view())
    if text is None:
        return True
    if text.strip().lower() == "done":
        return False
    try:
        capture.message = capture.enter(text)
    except InputError as error:
        capture.message = str(error)
    return True


def _listen(capture: Capture, source: ByteSource, wait: Callable[[float], None]) -> bool:
    """Read once, or try to get the port back; whether there may be more."""
    try:
        if not capture.connected:
            wait(RETRY_S)
            if source.reopen():
                capture.found()
        else:
            capture.feed(source.read())
    except SourceLost:
        capture.lost()
    except SourceEnded:
        capture.ended()
        return False
    return True
