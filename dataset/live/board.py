"""A board that speaks the line protocol: its lines, and the ports they come through.

The protocol is text, one line a frame: ``t_ms,c0,c1,...`` and, where measured, the temperature in degrees
Celsius as one more number. ``t_ms`` is the board's own clock in whole milliseconds; counts are whole, or have
decimals where the sensor's count scale has room for them. Lines that start with '#' and blank lines are
remarks; one that starts with '# simulated' says that the frames are not measured.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import dataclass
from typing import Any, BinaryIO, Protocol

import numpy as np

from dataset.counts import whole_steps
from dataset.errors import InputError
from dataset.values import plain_float

MAX_LINE = 4096  # a line that grows longer than this is no frame
READ_BYTES = 4096
READ_S = 0.05  # how long a read waits for bytes
WRITE_S = 2.0  # how long a write waits until the port takes bytes
MAX_TEMPERATURE_C = 500.0
LIKE_LINES = 10  # so many lines of one other width, and no frame, are another board rather than noise
REMARK, HALF, GARBAGE, BEYOND, ASTRAY = "remark", "half", "garbage", "beyond the width", "astray in time"
FINER = "finer than the scale"
SIMULATED = "simulated"  # the first word of a remark in which a board says that it is none
BAD = (HALF, GARBAGE, BEYOND, FINER, ASTRAY)
_WHOLE = re.compile(r"[0-9]{1,15}")
_COUNT = re.compile(r"[0-9]{1,15}(\.[0-9]{1,9})?")


@dataclass(frozen=True)
class Line:
    """One frame as the board sent it; ``temperature_c`` is NaN where the line has none."""

    t_ms: int
    counts: tuple[int, ...]
    temperature_c: float


class LineReader:
    """Cuts a stream of bytes into lines and lines into frames; what is no frame is counted in ``tally``,
    never raised.

    Kinds of bad lines: 'half' (fewer numbers than the sensor has channels, or cut off), 'garbage' (anything
    else that is no frame), 'beyond the width' (a count that the sensor's width cannot hold), 'finer than the
    scale' (a count between two steps).

    Args:
        channels: counts a line.
        count_bits: the counts' width.
        count_scale: steps of a count, of which a frame has whole numbers.
    """

    def __init__(self, channels: int, count_bits: int, count_scale: int = 1) -> None:
        self.channels, self.top, self.scale = channels, (1 << count_bits) - 1, count_scale
        self.tally: Counter[str] = Counter()
        self.widths: Counter[int] = Counter()  # of lines of numbers that were no frames
        self.finest: list[float] = []  # counts between two steps, until a frame comes
        self.simulated = False  # whether the board has said so
        self._rest = b""

    def feed(self, data: bytes) -> list[Line]:
        """The frames that ``data`` completes."""
        *whole, self._rest = (self._rest + data).split(b"\n")
        if len(self._rest) > MAX_LINE:
            # keep one byte: the line still counts, as one, when its end comes
            self._rest = b"\xff"
        frames = [self._line(text) for text in whole]
        return [line for line in frames if line is not None]

    def cut(self) -> None:
        """The stream was interrupted: a line that has begun is lost."""
        if self._rest.strip():
            self.tally[HALF] += 1
        self._rest = b""

    def last(self) -> list[Line]:
        """The frame of a last line without its newline, at the end of a file."""
        return self.feed(b"\n") if self._rest.strip() else []

    def strange_width(self) -> int | None:
        """How many numbers the lines have, when they all have one other width than the sensor's."""
        width, times = next(iter(self.widths.most_common(1)), (0, 0))
        return width if times >= LIKE_LINES else None

    def _line(self, text: bytes) -> Line | None:
        try:
            plain = text.decode("ascii").strip("\r\t ")
        except UnicodeDecodeError:
            self.tally[GARBAGE] += 1
            return None
        if not plain or plain.startswith("#"):
            self.tally[REMARK] += 1
            self.simulated |= plain.lstrip("# ").startswith(SIMULATED)
            return None
        cells = [cell.strip() for cell in plain.split(",")]
        numbers, warm = cells[: self.channels + 1], cells[self.channels + 1 :]
        if not _are_frame(numbers) or len(warm) > 1 or not all(map(_warmth, warm)):
            self.tally[GARBAGE] += 1
            self._note_width(cells)
            return None
        if len(numbers) <= self.channels:
            self.tally[HALF] += 1
            self._note_width(cells)
            return None
        steps, whole = whole_steps(np.asarray(numbers[1:], np.float64), self.scale)
        if not whole.all() or steps.max() > self.top:
            self.tally[BEYOND if whole.all() else FINER] += 1
            self.finest += () if whole.all() else map(float, numbers[1:])
            return None
        self.widths.clear()
        self.finest.clear()
        return Line(int(numbers[0]), tuple(map(int, steps)), float(warm[0]) if warm else math.nan)

    def _note_width(self, cells: list[str]) -> None:
        if all(map(_real, cells)):
            self.widths[len(cells)] += 1


def _are_frame(numbers: list[str]) -> bool:
    """Whether they are a time in whole milliseconds and counts, with decimals or without."""
    return bool(_WHOLE.fullmatch(numbers[0])) and all(map(_COUNT.fullmatch, numbers[1:]))


def _warmth(cell: str) -> bool:
    # a count of one channel too many is rarely a temperature
    return _real(cell) and -273.15 <= float(cell) <= MAX_TEMPERATURE_C


def _real(cell: str) -> bool:
    try:
        return math.isfinite(plain_float(cell))
    except ValueError:
        return False


class SourceLost(Exception):  # noqa: N818 - it is no error: a board is unplugged now and then
    """The port is gone; it may come back."""


class SourceEnded(Exception):  # noqa: N818 - it is no error: a board is unplugged now and then
    """The stream is at its end; it will not come back."""


class ByteSource(Protocol):
    """Where a board's bytes come from."""

    name: str

    def read(self) -> bytes:
        """What came since the last call, after a short wait; SourceLost or SourceEnded."""

    def reopen(self) -> bool:
        """Try to open the port again; whether it worked."""

    def close(self) -> None:
        """Let go of the port."""


class SerialSource:
    """A serial port, or another address that pyserial opens (``socket://HOST:PORT``, ``loop://``).

    A port that ``may_come`` later is lost at first instead of an error.

    Raises:
        InputError: the port cannot be opened.
    """

    def __init__(self, name: str, baud: int, *, may_come: bool = False) -> None:
        self.name, self.baud = name, baud
        self._port: Any = None
        try:
            self._port = self._open()
        except (OSError, ValueError) as error:
            if may_come:
                return
            raise InputError(
                f"SerialSource {name}",
                f"cannot be opened ({error})",
                "a serial port, or an address such as socket://HOST:PORT",
                fields=("SerialSource",),
            ) from error

    def _open(self) -> Any:
        import serial

        return serial.serial_for_url(self.name, baudrate=self.baud, timeout=READ_S, write_timeout=WRITE_S)

    def read(self, most: int = READ_BYTES) -> bytes:
        """What came within a short wait, or the first ``most`` bytes of it."""
        if self._port is None:
            raise SourceLost(self.name)
        try:
            return bytes(self._port.read(most))
        except (
            OSError,
            TypeError,
        ) as error:  # pyserial's own errors are OSErrors; a port that vanishes can leave it without a handle
            self.close()
            raise SourceLost(str(error)) from error

    def write(self, data: bytes) -> None:
        """Send bytes; SourceLost where the port is gone, or takes nothing for ``WRITE_S``."""
        if self._port is None:
            raise SourceLost(self.name)
        try:
            self._port.write(data)
        except (OSError, TypeError) as error:  # as above
            self.close()
            raise SourceLost(str(error)) from error

    def reopen(self) -> bool:
        """Try to open the port again."""
        try:
            self._port = self._open()
        except (OSError, ValueError):
            return False
        return True

    def close(self) -> None:
        """Let go of the port."""
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except OSError:
                return  # it is gone anyway


class StreamSource:
    """A file or pipe that is open for reading, such as standard input; it ends once."""

    def __init__(self, name: str, stream: BinaryIO) -> None:
        self.name, self._stream = name, stream

    def read(self) -> bytes:
        """The next bytes, as soon as there are any."""
        read_some = getattr(self._stream, "read1", self._stream.read)
        data: bytes = read_some(READ_BYTES)
        if not data:
            raise SourceEnded(self.name)
        return data

    def reopen(self) -> bool:
        """A stream does not come back."""
        return False

    def close(self) -> None:
        """The stream belongs to whoever opened it."""
