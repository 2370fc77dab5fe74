"""The standard streams as they may be: closed, full, of another encoding, or left by whoever read them.

Exit codes. 1 when the output could not be written: the command may have done its work by then, and 2 says
that nothing was changed. 141 when the reader of a pipe has gone, as a shell has it of a program that SIGPIPE
ends (128 + 13), without a word: ``| head`` is no fault. 2 when there is no output to begin with, since
nothing was begun.
"""

from __future__ import annotations

import errno
import io
import os
import sys
from typing import Any, TextIO

READER_GONE = 128 + 13
NOT_WRITTEN = 1


class OutputLostError(Exception):
    """Standard output takes nothing more."""

    def __init__(self, cause: OSError) -> None:
        self.reader_gone = cause.errno == errno.EPIPE
        super().__init__(
            f"standard output: cannot be written ({cause.strerror}); expected a place with room. What was "
            "done before it stands: look before you run the command again"
        )


def prepare_streams() -> None:
    """Make the three streams fit to be used. Ends with exit code 2 where standard output is closed.

    Closed descriptors are opened on the null device, so that no file that is opened later gets the number of
    a stream: what is printed would go into it. Streams that somebody put in the place of the process's own
    are left alone.
    """
    if sys.stdout is not sys.__stdout__ or sys.stderr is not sys.__stderr__:
        return
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free: this one
    if sys.stdin is None:
        sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115 - lives as long as the process
    sys.stderr = _watched(sys.stderr, 2, loses=True)
    if sys.stdout is None:
        sys.stdout = _watched(None, 1, loses=True)
        print(
            "innage: standard output: closed; expected a place to print to. '> /dev/null' prints nowhere",
            file=sys.stderr,
        )
        sys.exit(2)
    sys.stdout = _watched(sys.stdout, 1, loses=False)


def flush_output() -> None:
    """Write what is still kept back; OutputLostError where it can't be."""
    sys.stdout.flush()


def _watched(stream: TextIO | None, number: int, *, loses: bool) -> TextIO:
    """``stream``, or one on a descriptor, that escapes what its encoding lacks and knows when it is lost."""
    raw: Any = io.FileIO(number, "w", closefd=False)
    unbuffered = bool(getattr(stream, "write_through", False))  # python -u
    encoding = "utf-8" if stream is None else stream.encoding
    return io.TextIOWrapper(
        io.BufferedWriter(_Outlet(raw, loses)),
        encoding=encoding,
        errors="backslashreplace",
        line_buffering=number == 2 or unbuffered or raw.isatty(),
    )


class _Outlet(io.RawIOBase):
    """A descriptor that, once it failed, takes everything without a word; ``loses``: the first time too."""

    def __init__(self, raw: io.FileIO, loses: bool) -> None:
        self._raw, self._lost, self._loses = raw, False, loses

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._raw.fileno()

    def isatty(self) -> bool:
        return self._raw.isatty()

    def write(self, data: Any) -> int | None:
        if self._lost:
            return len(data)
        try:
            return self._raw.write(data)
        except OSError as error:
            self._lost = True
            if self._loses:
                return len(data)
            raise OutputLostError(error) from error
