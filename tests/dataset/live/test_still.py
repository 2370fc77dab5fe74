"""Frames of a board that stands still: enough of them, and nothing that moves."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from building import SENSOR
from dataset.errors import InputError
from dataset.live.board import SourceEnded
from dataset.live.still import read_still


class Board:
    """A board whose counts are ``count(k)`` at frame k; after ``frames`` of them it ends, or is silent."""

    name = "board"

    def __init__(self, count: Callable[[int], int], frames: int, ends: bool = True) -> None:
        self._lines = iter(
            [
                b"# simulated\n",
                *(f"{100 * k},{count(k)},{count(k) + 7},21.5\n".encode() for k in range(frames)),
            ]
        )
        self._ends = ends

    def read(self) -> bytes:
        line = next(self._lines, b"")
        if not line and self._ends:
            raise SourceEnded(self.name)
        return line

    def reopen(self) -> bool:
        return False

    def close(self) -> None:
        pass


def test_so_many_frames_are_read() -> None:
    frames, _ = read_still(Board(lambda k: 1000 + k % 3, 50), SENSOR, 30)
    assert len(frames) == 30
    assert frames.counts.mean(axis=0).tolist() == [1001.0, 1008.0]
    assert frames.temperature_c is not None
    assert frames.temperature_c.tolist() == [21.5] * 30


@pytest.mark.parametrize(
    ("board", "number", "sentence"),
    [
        (Board(lambda k: 1000 + k % 3, 20), 30, "the stream ended after 20 frames"),
        (Board(lambda k: 1000 + k % 3, 20, ends=False), 30, "no frame for 10 s"),
        (Board(lambda k: 1000 + 50 * k, 50), 30, "moves by"),
        (Board(lambda k: 1000, 50), 9, "frames: 9; expected at least 10"),
    ],
)
def test_what_does_not_stand_still_is_refused(board: Board, number: int, sentence: str) -> None:
    clock = iter(range(10_000))
    with pytest.raises(InputError, match=sentence):
        read_still(board, SENSOR, number, lambda: float(next(clock)))
