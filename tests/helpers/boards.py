"""Boards in place of real ones: a bundle's model on the emulated core behind a port, with whatever is done to
the line, the flash or the counter; and lines that only pretend.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from bundles import Files

from dataset.live.board import SerialSource
from export.board.emulated import BoardImage, EmulatedBoard, build_board
from export.board.talk import Waits
from export.board.wires import on_pseudo_terminal
from export.bundle.checking.board import BoardChecks
from export.bundle.checks import Bundle
from export.bundle.verify import VerifyReport, verify_files

# For boards that answer: on a busy computer that takes its time. For those that do not: soon over.
PATIENT = Waits(hello_s=1.0, hellos=30, answer_s=0.5, times=60)
SOON = Waits(hello_s=0.5, hellos=12, answer_s=1.0, times=4)


def image_of(files: Files, core: str = "cortex-m0plus", defines: Sequence[str] = ()) -> BoardImage:
    """The image of a board around a bundle's C."""
    return build_board(Bundle(files).emitted, core, defines=defines)


@contextmanager
def on_line(board: EmulatedBoard) -> Iterator[SerialSource]:
    """The port of a board on a pseudo-terminal, opened."""
    with on_pseudo_terminal(board) as name:
        line = SerialSource(name, 115200)
        try:
            yield line
        finally:
            line.close()


class SpoiltLine:
    """A line on which ``spoil`` is done to every piece of bytes in both directions, with the number of
    requests sent so far.
    """

    def __init__(self, line: SerialSource, spoil: Callable[[bytes, int], bytes]) -> None:
        self.name, self._line, self._spoil, self._count = line.name, line, spoil, 0

    def read(self, most: int) -> bytes:
        return self._spoilt(self._line.read(most))

    def write(self, data: bytes) -> None:
        self._count += 1
        self._line.write(self._spoilt(data))

    def _spoilt(self, data: bytes) -> bytes:
        return self._spoil(data, self._count) if data else data


class FakeLine:
    """A line on which ``answer`` says what comes back for each piece that is sent."""

    name = "fake"

    def __init__(self, answer: Callable[[bytes], bytes]) -> None:
        self._answer, self._waiting = answer, b""

    def read(self, most: int) -> bytes:
        data, self._waiting = self._waiting[:most], self._waiting[most:]
        return data

    def write(self, data: bytes) -> None:
        self._waiting += self._answer(data)


def board_report(
    files: Files,
    board: EmulatedBoard,
    spoil: Callable[[bytes, int], bytes] | None = None,
    waits: Waits = PATIENT,
) -> VerifyReport:
    """What the checks on ``board`` say of a bundle."""
    with on_line(board) as line:
        checks = BoardChecks(line if spoil is None else SpoiltLine(line, spoil), waits)
        return verify_files(files, set(), board=checks)
