"""Streams that are open, which the service ends before it ends itself."""

from __future__ import annotations

import threading


class Streams:
    """How many are open, and whether they are to end."""

    def __init__(self) -> None:
        self.open = 0
        self.ending = threading.Event()
