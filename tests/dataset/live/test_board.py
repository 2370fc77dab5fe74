"""Lines of a board: frames are read, everything else is counted and never stops the capture."""

from __future__ import annotations

import math

import pytest

from dataset.live.board import BEYOND, FINER, GARBAGE, HALF, MAX_LINE, LineReader


def test_frames_are_read_however_the_bytes_are_cut() -> None:
    """Two frames fed a byte at a time; the second one has a temperature."""
    reader = LineReader(2, 12)
    found = [line for byte in b"10,1,4095\r\n20,3,4,21.5\n" for line in reader.feed(bytes([byte]))]
    assert [(line.t_ms, line.counts) for line in found] == [(10, (1, 4095)), (20, (3, 4))]
    assert math.isnan(found[0].temperature_c)
    assert found[1].temperature_c == 21.5


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (b"10,1\n", HALF),
        (b"10,1,2,3,4\n", GARBAGE),
        (b"10,1,x\n", GARBAGE),
        (b"\xff\xfe\x00\n", GARBAGE),
        (b"10,1,-2\n", GARBAGE),
        (b"10,1,4096\n", BEYOND),
        (b"1" * (3 * MAX_LINE) + b"\n", GARBAGE),
    ],
)
def test_a_bad_line_is_counted_and_the_next_frame_is_read(text: bytes, kind: str) -> None:
    """Each kind of bad line is counted once under its own name, and the frame behind it arrives."""
    reader = LineReader(2, 12)
    (line,) = reader.feed(text + b"20,3,4\n")
    assert (line.t_ms, line.counts) == (20, (3, 4))
    assert dict(reader.tally) == {kind: 1}


def test_remarks_are_no_faults_and_a_cut_line_is_half() -> None:
    """'#' lines and blank lines are remarks; a line that was begun when the port was lost is half a line."""
    reader = LineReader(2, 12)
    assert reader.feed(b"# board 7\n\n10,1") == []
    reader.cut()
    assert reader.tally[HALF] == 1
    assert [line.t_ms for line in reader.feed(b"30,5,6\n")] == [30]


def test_a_board_with_other_channels_is_told_from_noise() -> None:
    """Ten lines of one other width are another board; nine are not yet."""
    reader = LineReader(2, 12)
    reader.feed(b"10,1,2,3,4\n" * 9)
    assert reader.strange_width() is None
    reader.feed(b"10,1,2,3,4\n")
    assert reader.strange_width() == 5


def test_counts_with_decimals_are_steps() -> None:
    """A board that sends two decimals is read with a scale of 100; counts between two steps are counted as
    such, and kept to say which scale would do.
    """
    reader = LineReader(2, 16, 100)
    lines = reader.feed(b"10,22.82,7,21.5\n20,22.8,655.35\n")
    assert [line.counts for line in lines] == [(2282, 700), (2280, 65535)]
    assert reader.feed(b"30,655.36,1\n40,1.,2\n50,1.005,2\n60.5,1,2\n") == []
    assert dict(reader.tally) == {BEYOND: 1, GARBAGE: 2, FINER: 1}
    assert reader.finest == [1.005, 2.0]
    assert LineReader(1, 16).feed(b"10,7.0\n")[0].counts == (7,)
