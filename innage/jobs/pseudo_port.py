"""A pseudo-terminal as a port that others open."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from dataset.errors import InputError

SETTLED_S = 0.3  # who opens a port sets it up first; what was sent before is lost to them


@dataclass(frozen=True)
class PseudoPort:
    """Its name, how to write to it, and whether something has it open and set up."""

    name: str
    write: Callable[[bytes], None]
    ready: Callable[[], bool]


@contextmanager
def pseudo_port() -> Iterator[PseudoPort]:
    """A pseudo-terminal, closed at the end. InputError where the system has none."""
    if not hasattr(os, "openpty"):
        raise InputError(
            "innage rig play",
            f"a port on {sys.platform}",
            "a system with pseudo-terminals",
            "pipe it: --stdout | innage capture --port -",
        )
    import select

    master, slave = os.openpty()
    name = os.ttyname(slave)
    os.close(slave)  # so that the other end hangs up whenever nobody listens
    poll = select.poll()
    poll.register(master, select.POLLOUT)
    opened: list[float] = []

    def ready() -> bool:
        if any(event & select.POLLHUP for _, event in poll.poll(0)):
            opened.clear()
            return False
        if not opened:
            opened.append(time.monotonic())
        return time.monotonic() - opened[0] >= SETTLED_S

    def write(data: bytes) -> None:
        while data:
            data = data[os.write(master, data) :]

    try:
        yield PseudoPort(name, write, ready)
    finally:
        os.close(master)
