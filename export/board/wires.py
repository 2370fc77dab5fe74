"""The other end of an emulated board's line: a pseudo-terminal or a socket, which is opened as a port."""

from __future__ import annotations

import errno
import os
import select
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from dataset.errors import InputError
from export.board.emulated import EmulatedBoard, Wire

_LOOK_S = 0.1  # how often a wire looks whether it is at its end
_READ_BYTES = 4096


class FileWire:
    """A wire over a file descriptor; ``end`` lets whoever waits for bytes go."""

    def __init__(self, descriptor: Callable[[], int | None]) -> None:
        self._descriptor, self._ended = descriptor, threading.Event()

    def receive(self) -> bytes:
        """The next bytes; empty at the end."""
        poll = select.poll()
        while not self._ended.is_set():
            descriptor = self._descriptor()
            if descriptor is None:
                return b""
            poll.register(descriptor, select.POLLIN)
            events = poll.poll(1000 * _LOOK_S)
            if any(event & select.POLLIN for _, event in events):
                data = _read(descriptor)
                if data is not None:
                    return data
            elif events:  # nobody has it open
                self._ended.wait(_LOOK_S)
        return b""

    def send(self, data: bytes) -> None:
        """Send bytes, as far as somebody takes them."""
        descriptor = self._descriptor()
        while data and descriptor is not None and not self._ended.is_set():
            try:
                data = data[os.write(descriptor, data) :]
            except OSError:
                return  # the other end is gone: what it would have read is lost

    def end(self) -> None:
        """Nothing more comes."""
        self._ended.set()


def _read(descriptor: int) -> bytes | None:
    """What there is to read; None where the other end just went."""
    try:
        return os.read(descriptor, _READ_BYTES)
    except OSError as error:
        if error.errno in (errno.EIO, errno.ECONNRESET):
            return None
        raise


@contextmanager
def on_pseudo_terminal(board: EmulatedBoard) -> Iterator[str]:
    """A board on a pseudo-terminal of its own, whose name is given. InputError where the system has none."""
    if not hasattr(os, "openpty"):
        raise InputError("the emulated board", f"a port on {sys.platform}", "a system with pseudo-terminals")
    master, slave = os.openpty()
    name = os.ttyname(slave)
    try:
        with running(board, FileWire(lambda: master)):
            yield name
    finally:
        os.close(slave)
        os.close(master)


@contextmanager
def on_socket(board: EmulatedBoard) -> Iterator[str]:
    """A board behind a socket of this computer, for one caller; its address as a port's name is given."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        callers: list[socket.socket] = []

        def descriptor() -> int:
            if not callers:
                callers.append(server.accept()[0])
            return callers[0].fileno()

        server.settimeout(30)
        try:
            with running(board, FileWire(descriptor)):
                yield f"socket://127.0.0.1:{server.getsockname()[1]}"
        finally:
            for caller in callers:
                caller.close()


@contextmanager
def running(
    board: EmulatedBoard, wire: FileWire, between: Callable[[Wire], Wire] | None = None
) -> Iterator[None]:
    """Let ``board`` run on ``wire`` meanwhile, with what ``between`` puts between the two. What stops it is
    raised at the end.
    """
    raised: list[BaseException] = []

    def run() -> None:
        try:
            board.serve(wire if between is None else between(wire))
        except BaseException as error:
            raised.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield
    finally:
        wire.end()
        thread.join()
    if raised:
        raise raised[0]
