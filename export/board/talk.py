"""The talk with a board: it is asked who it is, tested, and handed vectors one by one; what it answers is
bounded, and read by the layout of the model's own C.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from dataset.live.board import SourceLost
from export.board.framing import ANSWERS, AROUND, REFUSED, Deframer, Frame, framed
from export.c.memory import MemoryLayout
from export.identity import IDENTITY_BYTES
from export.vectors import Vectors
from training.program import Array

PROTOCOL_VERSION = 1
HELLO, TEST, BEGIN, STEP, MEASURED = 1, 2, 3, 4, 5
BUILT = {0: "", 1: "speed", 2: "size"}
_HELLO = struct.Struct("<BBBBHHHHII")
_BEGUN, _CYCLES, _MEASURED = struct.Struct("<BI"), struct.Struct("<I"), struct.Struct("<HI")
_PASSED = 1
_REFUSALS = {
    1: "the board does not know a request",
    2: "the board expects another length of a request",
    3: "the board started anew",
}
_LONGEST_TEXT = 64


class Line(Protocol):
    """Bytes to and from a board."""

    name: str

    def read(self, most: int) -> bytes:
        """At most so many bytes, fewer after a short wait. SourceLost where the line is gone."""

    def write(self, data: bytes) -> None:
        """Send bytes. SourceLost where the line is gone."""


@dataclass(frozen=True)
class Waits:
    """How long an answer is waited for, in seconds, and how often a request is sent: the hello, while a board
    may still start, and every other.
    """

    hello_s: float = 0.5
    hellos: int = 20
    answer_s: float = 2.0
    times: int = 5


WAITS = Waits()


class BoardError(Exception):
    """The talk ended without what was asked for; the text says why."""


class NoAnswerError(BoardError):
    """Nothing, or nothing that can be read, came back."""


class RefusedError(BoardError):
    """The board says that it cannot carry out a request."""


@dataclass(frozen=True)
class Hello:
    """What a board says of itself. Texts are printable ASCII, whatever came; ``built``: 'size', 'speed' or
    ''; ``clock_hz`` 0 where it isn't known; ``painted`` bytes of stack, 0 where it paints none.
    """

    count_bytes: int
    channels: int
    built: str
    trim_counts: int
    reading_bytes: int
    state_bytes: int
    painted: int
    clock_hz: int
    ram: int
    identity: bytes
    name: str
    compiler: str


@dataclass(frozen=True)
class BoardRun:
    """What a board answered to vectors, a row a frame: ``readings`` (n, outputs), ``state`` (n, state size),
    ``cycles`` (n,) of step.

    ``prepare_cycles`` is the most of prepare, ``stack`` the deepest of prepare and step in bytes, all that
    was painted where that was not enough. ``sent_again``: requests that had to be; ``damaged``: frames that
    came damaged, there and here.
    """

    readings: Array
    state: Array
    cycles: Array
    prepare_cycles: int
    stack: int
    sent_again: int
    damaged: int


class Talk:
    """One talk over a line. Its methods raise BoardError, and SourceLost where the line is gone."""

    def __init__(self, line: Line, waits: Waits = WAITS) -> None:
        self._line, self._waits = line, waits
        self._frames = Deframer()
        self._number = 0
        self.sent_again = 0

    @property
    def damaged(self) -> int:
        """Frames that came damaged from the board."""
        return self._frames.damaged

    def hello(self) -> Hello:
        """Who is there. What it said before, in the middle of another talk, is passed over."""
        waits = self._waits
        payload = bytes([PROTOCOL_VERSION])
        answer = self._ask(HELLO, payload, _HELLO.size, waits.hello_s, waits.hellos)
        self.sent_again = self._frames.damaged = 0  # it may just have been switched on
        return read_hello(answer)

    def passes_selftest(self) -> bool:
        """What the model's own test on the board says."""
        return self._asked(TEST, b"", 1)[0] == _PASSED

    def run(
        self,
        vectors: Vectors,
        layout: MemoryLayout,
        count_bytes: int,
        stop: Callable[[int, Array, Array], bool],
        progress: Callable[[str, int, int], None],
    ) -> BoardRun:
        """Hand over the vectors, stream by stream. ``stop`` is asked after each stream, with the rows so far
        and the readings and states of that stream; where it says yes the run ends there.

        Raises BoardError: a trim is refused, or the board started anew.
        """
        readings, states, cycles = bytearray(), bytearray(), list[int]()
        read, kept = layout.reading.size, layout.state.size if layout.state.values else 0
        prepare, frames = 0, vectors.stream_frames
        kind, pours = "<u2" if count_bytes == 2 else "<u4", vectors.since_pour
        for k in range(len(vectors)):
            try:
                if k % frames == 0:
                    progress("vectors on the board", k, len(vectors))
                    prepare = max(prepare, self._begin(vectors.trim[k].astype(kind).tobytes(), k))
                rest = struct.pack("<hI", int(vectors.temperature[k]), int(vectors.faults[k]))
                rest += b"" if pours is None else struct.pack("<i", int(pours[k]))
                answer = self._asked(STEP, vectors.counts[k].astype(kind).tobytes() + rest, 4 + read + kept)
            except (RefusedError, NoAnswerError) as error:
                raise type(error)(f"{error} at vector {k} of {len(vectors)}") from error
            except SourceLost as lost:
                raise BoardError(f"the port was lost at vector {k} of {len(vectors)} ({lost})") from lost
            cycles.append(_CYCLES.unpack(answer[:4])[0])
            readings += answer[4 : 4 + read]
            states += answer[4 + read :]
            if k % frames == frames - 1:
                last = (readings[-frames * read :], states[-frames * kept :])
                if stop(k + 1, *_tables(layout, *last, frames)):
                    break
        depth, damaged = _MEASURED.unpack(self._asked(MEASURED, b"", _MEASURED.size))
        return BoardRun(
            *_tables(layout, readings, states, len(cycles)),
            np.asarray(cycles, dtype=np.int64),
            prepare,
            depth,
            self.sent_again,
            damaged + self.damaged,
        )

    def _begin(self, trim: bytes, k: int) -> int:
        accepted, cycles = _BEGUN.unpack(self._asked(BEGIN, trim, _BEGUN.size))
        if not accepted:
            raise TrimRefusedError(f"the board refuses the trim of vector {k}")
        return int(cycles)

    def _asked(self, kind: int, payload: bytes, length: int) -> bytes:
        """The answer to a request, which has ``length`` bytes."""
        answer = self._ask(kind, payload, length, self._waits.answer_s, self._waits.times)
        if len(answer) != length:
            raise BoardError(f"the board answers with {len(answer)} bytes, expected {length}")
        return answer

    def _ask(self, kind: int, payload: bytes, length: int, wait_s: float, times: int) -> bytes:
        """Send a request under a number of its own until it is answered; ``length``: bytes of the answer at
        least.
        """
        self._number = self._number % 255 + 1
        request, before = framed(Frame(kind, self._number, payload)), self._frames.damaged
        for attempt in range(times):
            self.sent_again += attempt > 0
            self._line.write(request)
            answer = self._answer(kind, AROUND + length, time.monotonic() + wait_s)
            if answer is not None:
                return answer
        damaged = self._frames.damaged - before
        came = f"answers with {damaged} damaged frames" if damaged else "does not answer"
        raise NoAnswerError(f"the board {came} ({times} times asked, {wait_s:g} s each)")

    def _answer(self, kind: int, missing: int, until: float) -> bytes | None:
        """The answer to the last request; None where none came in time."""
        while True:
            data = self._line.read(max(missing, 1))
            missing -= len(data)
            for frame in self._frames.feed(data):
                if frame.number != self._number:
                    continue  # of a request before, which was sent twice
                if frame.type == REFUSED and len(frame.payload) == 1:
                    why = frame.payload[0]
                    raise RefusedError(_REFUSALS.get(why, f"the board refuses a request (reason {why})"))
                if frame.type == kind | ANSWERS:
                    return frame.payload
            if time.monotonic() >= until:
                return None


def _tables(layout: MemoryLayout, readings: bytearray, states: bytearray, rows: int) -> tuple[Array, Array]:
    """Readings and states of ``rows`` frames as tables; a model may have no state."""
    table = layout.state.table(bytes(states)) if layout.state.values else np.zeros((rows, 0), np.int64)
    return layout.reading.table(bytes(readings)), table


class TrimRefusedError(BoardError):
    """A trim inside the declared limits was refused."""


def read_hello(payload: bytes) -> Hello:
    """The hello that an answer holds. BoardError for one of another version, or one that breaks off."""
    if payload[:1] != bytes([PROTOCOL_VERSION]):
        raise BoardError(
            f"the board speaks version {payload[0] if payload else '?'} of the protocol, "
            f"this is version {PROTOCOL_VERSION}"
        )
    rest = payload[_HELLO.size + IDENTITY_BYTES :]
    texts = []
    for _ in range(2):
        length = rest[0] if rest else _LONGEST_TEXT + 1
        if length > min(_LONGEST_TEXT, len(rest) - 1):
            raise BoardError("the board's hello breaks off")
        texts.append(rest[1 : 1 + length])
        rest = rest[1 + length :]
    if rest:
        raise BoardError(f"the board's hello has {len(rest)} bytes more than it says")
    _, width, channels, built, trim, reading, state, painted, clock, ram = _HELLO.unpack(
        payload[: _HELLO.size]
    )
    identity = payload[_HELLO.size : _HELLO.size + IDENTITY_BYTES]
    name, compiler = map(_printable, texts)
    how = BUILT.get(built, "")
    return Hello(width, channels, how, trim, reading, state, painted, clock, ram, identity, name, compiler)


def _printable(text: bytes) -> str:
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "?" for byte in text).strip()
