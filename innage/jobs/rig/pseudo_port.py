"""A pseudo-terminal as a port that others open."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from dataset.errors import InputError

SETTLED_S = (
    0.3  # who opens a port sets it up and drops what came before; so long after it is raw that is over
)
PLAIN_S = 2.0  # who has left it as it was for so long will not set it up


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
    import termios

    master, slave = os.openpty()
    name = os.ttyname(slave)
    os.close(slave)  # so that the other end hangs up whenever nobody listens
    poll = select.poll()
    poll.register(master, select.POLLOUT)
    opened: list[float] = []
    raw: list[float] = []

    def ready() -> bool:
        if any(event & select.POLLHUP for _, event in poll.poll(0)):
            opened.clear()
            raw.clear()
            return False
        now = time.monotonic()
        if not opened:
            opened.append(now)
        if not raw and not termios.tcgetattr(master)[3] & termios.ICANON:
            raw.append(now)
        return now - raw[0] >= SETTLED_S if raw else now - opened[0] >= PLAIN_S

    def write(data: bytes) -> None:
        while data:
            data = data[os.write(master, data) :]

    try:
        yield PseudoPort(name, write, ready)
    finally:
        os.close(master)
