"""Ctrl-C as a request: what runs is asked to stop at a good place."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType


@contextmanager
def asked_to_stop() -> Iterator[Callable[[], bool]]:
    """Whether the operator has asked to stop. A flag, not an exception: one in the middle of a commit would
    leave doubt.
    """
    asked = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:
        if asked.is_set():
            raise KeyboardInterrupt  # asked twice: something hangs
        asked.set()

    before = [(number, signal.signal(number, ask)) for number in (signal.SIGINT, signal.SIGTERM)]
    try:
        yield asked.is_set
    finally:
        for number, handler in before:
            signal.signal(number, handler)
