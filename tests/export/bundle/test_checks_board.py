"""What verification says of boards that are right, wrong, stale, damaged, silent, or go away."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from dataclasses import replace

import pytest
from boards import PATIENT, SOON, FakeLine, SpoiltLine, board_report, image_of, on_line
from bundles import Files, resealed

from dataset.live.board import SourceLost
from export.board.emulated import BoardImage, EmulatedBoard
from export.board.framing import Deframer, Frame, framed
from export.board.talk import PROTOCOL_VERSION, Waits
from export.bundle.checking.board import CYCLES, NUMBERS, STACK, BoardChecks
from export.bundle.checks import Bundle
from export.bundle.manifest import MANIFEST
from export.bundle.verify import Answer, VerifyReport, verify_files
from export.identity import Stamp, identity_bytes

HELLO, TEST, BEGIN, STEP = 0x81, 0x82, 0x83, 0x84
FASTER = Waits(hello_s=0.1, hellos=2, answer_s=0.2, times=2)


@pytest.fixture(scope="module")
def image(small_bundle: Files) -> BoardImage:
    """A board around the small bundle's C."""
    return image_of(small_bundle)


def said(report: VerifyReport) -> dict[str, tuple[Answer, str]]:
    return {check.name: (check.answer, check.sentence) for check in report.checks}


def numbers_of(report: VerifyReport) -> tuple[Answer, str]:
    """The answer on the numbers; where it is no yes, nothing was measured."""
    answers = said(report)
    if answers[NUMBERS][0] is not Answer.PASSED:
        assert report.on_board is None
        for name in (CYCLES, STACK):
            assert answers[name][0] is Answer.UNPROVEN
            assert answers[name][1].startswith("not measured")
    return answers[NUMBERS]


def forging(kind: int, change: Callable[[bytes], bytes], first: int = 1) -> Callable[[bytes, int], bytes]:
    """Puts another payload into the answers of a type, the ``first`` of them and all later ones, with a
    checksum that fits: what a firmware would send that is wrong.
    """
    reader, seen = Deframer(), 0

    def spoil(data: bytes, count: int) -> bytes:
        nonlocal seen
        out = b""
        for frame in reader.feed(data):
            if frame.type == kind:
                seen += 1
                payload = change(frame.payload) if seen >= first else frame.payload
                out += framed(replace(frame, payload=payload))
            else:
                out += framed(frame)
        return out

    return spoil


@pytest.mark.longer
def test_a_board_that_is_right(small_bundle: Files, image: BoardImage) -> None:
    """Every number equal, cycles and stack within the budget; what was measured is told."""
    report = board_report(small_bundle, EmulatedBoard(image))
    answers, measured = said(report), report.on_board
    assert measured is not None
    assert {answer for answer, _ in answers.values()} == {Answer.PASSED}
    vectors = len(Bundle(small_bundle).vectors)
    assert f"{vectors} vectors equal, readings and state" in answers[NUMBERS][1]
    assert measured.vectors == vectors
    assert measured.cycles is not None
    assert measured.cycles_mean is not None
    assert 0 < measured.cycles_mean <= measured.cycles
    assert f"step at most {measured.cycles}, " in answers[CYCLES][1]
    assert answers[STACK][1].startswith(f"{measured.stack} bytes")
    assert measured.built == "size"
    assert measured.compiler.startswith("Clang ")


@pytest.mark.longer
def test_a_model_without_state_or_trim(sessions_bundle: Files) -> None:
    """All of its vectors are run too."""
    report = board_report(sessions_bundle, EmulatedBoard(image_of(sessions_bundle)))
    assert {answer for answer, _ in said(report).values()} == {Answer.PASSED}
    assert report.on_board is not None
    assert report.on_board.vectors == len(Bundle(sessions_bundle).vectors)


def test_a_number_that_differs_is_named(small_bundle: Files, image: BoardImage) -> None:
    """From the 20th frame on one level is off by one: the first vector is named with what was expected, and
    the run ends with its stream.
    """
    level_at = 4 + 4  # behind the cycles and low
    wrong = forging(STEP, lambda p: p[:level_at] + bytes([p[level_at] ^ 1]) + p[level_at + 1 :], first=20)
    bundle = Bundle(small_bundle)
    frames = bundle.vectors.stream_frames
    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(image), wrong))
    assert answer is Answer.FAILED
    until = -(-20 // frames) * frames
    assert (
        f"the C on the board: {until - 19} of {until} vectors differ, the first is 19: counts [" in sentence
    )
    assert ", expected [" in sentence


def test_a_flipped_weight_is_noticed_by_the_self_test(small_bundle: Files, image: BoardImage) -> None:
    damaged = image.flipped(image.symbols["innage_tables"] + 5, 3)
    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(damaged)))
    assert (answer, sentence.split(":")[0]) == (Answer.FAILED, "the self-test on the board says no")


def test_an_identity_that_is_none(small_bundle: Files, image: BoardImage) -> None:
    damaged = image.flipped(image.symbols["innage_identity"] + 20, 3)
    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(damaged)))
    assert answer is Answer.FAILED
    assert sentence.startswith("what the board sends is no identity (its CRC is not that of its bytes)")


def test_another_model_s_firmware(small_bundle: Files, sessions_bundle: Files) -> None:
    """The firmware of another bundle is noticed by its identity, before a vector is sent."""
    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(image_of(sessions_bundle))))
    assert answer is Answer.FAILED
    assert sentence.startswith("the board runs model 0x")
    assert "build its firmware from this bundle" in sentence


def test_a_stale_export_of_the_same_model(small_bundle: Files, image: BoardImage) -> None:
    """The same program, exported when its limits were others."""
    program = Bundle(small_bundle).program
    stale = identity_bytes(program, Stamp(("void",), "12" * 32))
    at = image.symbols["innage_identity"] - image.flash_start
    flash = image.flash[:at] + stale + image.flash[at + len(stale) :]
    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(replace(image, flash=flash))))
    assert answer is Answer.FAILED
    assert "another export of this model, whose identity differs in gates, limits" in sentence


@pytest.mark.slow
def test_damaged_bytes_are_sent_again(small_bundle: Files, image: BoardImage) -> None:
    """Of every seventh request a byte is lost, of every sixth, and of what answers every fifth, one is
    changed; nothing is carried out twice, so that all states stay right.
    """

    class Damaged(SpoiltLine):
        def write(self, data: bytes) -> None:
            self._count += 1
            if self._count % 7 == 0:
                data = data[:5] + data[6:]
            elif self._count % 6 == 0:
                data = data[:-8] + bytes([data[-8] ^ 4]) + data[-7:]
            self._line.write(data)

        def read(self, most: int) -> bytes:
            data = self._line.read(most)
            if self._count % 5 or len(data) < 4:
                return data
            return data[:-2] + bytes([data[-2] ^ 4]) + data[-1:]

    with on_line(EmulatedBoard(image)) as line:
        checks = BoardChecks(Damaged(line, lambda data, count: data), PATIENT)
        answer, sentence = numbers_of(verify_files(small_bundle, set(), board=checks))
    assert answer is Answer.PASSED, sentence
    assert " requests sent again, " in sentence


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda data, count: data[:-2] + b"\x00" + data[-1:], "does not answer"),
        (lambda data, count: b"", "does not answer"),
        (
            lambda data, count: data if count < 20 else b"",
            "does not answer (4 times asked, 1 s each) at vector ",
        ),
    ],
)
@pytest.mark.slow
def test_a_line_that_carries_nothing_whole(
    small_bundle: Files, image: BoardImage, spoil: Callable[[bytes, int], bytes], told: str
) -> None:
    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(image), spoil, SOON))
    assert answer is Answer.UNPROVEN
    assert told in sentence


@pytest.mark.slow
def test_answers_that_come_damaged(small_bundle: Files, image: BoardImage) -> None:
    """Only what comes from the board is damaged."""

    class BadAnswers(SpoiltLine):
        def write(self, data: bytes) -> None:
            self._line.write(data)

    with on_line(EmulatedBoard(image)) as line:
        spoilt = BadAnswers(line, lambda data, count: data.replace(b"\x7e", b"\x00\x7e"))
        checks = BoardChecks(spoilt, SOON)
        answer, sentence = numbers_of(verify_files(small_bundle, set(), board=checks))
    assert answer is Answer.UNPROVEN
    assert re.search(r"the board answers with \d+ damaged frames \(12 times asked, 0.5 s each\)", sentence)


@pytest.mark.longer
@pytest.mark.parametrize("at_begin", [False, True])
def test_a_board_that_starts_anew_half_way(small_bundle: Files, image: BoardImage, at_begin: bool) -> None:
    """In the midst of the second stream, and just before it begins, where all would go on as it was."""
    board, frames = EmulatedBoard(image), Bundle(small_bundle).vectors.stream_frames
    began = 3 + frames + 1  # behind hello, test, and a begin with its frames

    def spoil(data: bytes, count: int) -> bytes:
        if count == began + (0 if at_begin else 2):
            board.reset()
        return data

    answer, sentence = numbers_of(board_report(small_bundle, board, spoil))
    assert answer is Answer.UNPROVEN
    assert f"the board started anew at vector {frames + (0 if at_begin else 1)} " in sentence


@pytest.mark.longer
def test_answers_that_come_twice(small_bundle: Files, image: BoardImage) -> None:
    """Each answer comes once more while the next one is waited for, as after a request that was sent again
    too early: its number tells the two apart.
    """

    class Twice(SpoiltLine):
        late, this = b"", b""

        def write(self, data: bytes) -> None:
            self.late, self.this = self.this, b""
            super().write(data)

        def read(self, most: int) -> bytes:
            if self.late:
                late, self.late = self.late, b""
                return late
            data = super().read(most)
            self.this += data
            return data

    with on_line(EmulatedBoard(image)) as line:
        checks = BoardChecks(Twice(line, lambda data, count: data), PATIENT)
        assert numbers_of(verify_files(small_bundle, set(), board=checks))[0] is Answer.PASSED


def test_a_port_that_is_lost(small_bundle: Files, image: BoardImage) -> None:
    def spoil(data: bytes, count: int) -> bytes:
        if count == 40:
            raise SourceLost("unplugged")
        return data

    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(image), spoil))
    assert answer is Answer.UNPROVEN
    assert "the port was lost at vector " in sentence
    assert "(unplugged)" in sentence


def test_a_trim_that_the_board_refuses(small_bundle: Files, image: BoardImage) -> None:
    refusing = forging(BEGIN, lambda payload: b"\x00" + payload[1:], first=2)
    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(image), refusing))
    frames = Bundle(small_bundle).vectors.stream_frames
    assert (answer, sentence) == (Answer.FAILED, f"the board refuses the trim of vector {frames}")


@pytest.mark.longer
def test_a_counter_that_stands_still(small_bundle: Files, image: BoardImage) -> None:
    """The numbers stand; of cycles there is no evidence."""
    report = board_report(small_bundle, EmulatedBoard(image, counts_cycles=False))
    answers = said(report)
    assert answers[NUMBERS][0] is Answer.PASSED
    assert answers[CYCLES][0] is Answer.UNPROVEN
    vectors = len(Bundle(small_bundle).vectors)
    assert f"no cycle was counted in {vectors} of {vectors} vectors" in answers[CYCLES][1]
    assert report.on_board is not None
    assert report.on_board.cycles is None
    assert report.on_board.stack is not None


@pytest.mark.longer
def test_a_stack_deeper_than_painted(small_bundle: Files) -> None:
    report = board_report(
        small_bundle, EmulatedBoard(image_of(small_bundle, defines=("INNAGE_BOARD_PAINT=16U",)))
    )
    answers = said(report)
    assert answers[STACK] == (
        Answer.UNPROVEN,
        "deeper than the 16 bytes that were painted: build it with a larger INNAGE_BOARD_PAINT",
    )
    assert answers[CYCLES][0] is Answer.PASSED
    assert report.on_board is not None
    assert report.on_board.stack is None


@pytest.mark.longer
def test_over_the_budget(small_bundle: Files, image: BoardImage) -> None:
    """More cycles, or more stack, than the budget has: these checks say no, the numbers stand."""
    budget = json.loads(small_bundle[MANIFEST])["budget"] | {"cycles": 10, "stack_bytes": 4}
    answers = said(board_report(resealed(small_bundle, budget=budget), EmulatedBoard(image)))
    assert [answers[name][0] for name in (NUMBERS, CYCLES, STACK)] == [
        Answer.PASSED,
        Answer.FAILED,
        Answer.FAILED,
    ]
    assert answers[CYCLES][1].endswith("; the budget has 10")
    assert answers[STACK][1].endswith("; the budget has 4")


def hello_answer(payload: bytes) -> Callable[[bytes], bytes]:
    """A line on which every request is answered with this hello."""
    reader = Deframer()

    def answer(sent: bytes) -> bytes:
        return b"".join(framed(Frame(HELLO, frame.number, payload)) for frame in reader.feed(sent))

    return answer


@pytest.mark.parametrize(
    ("payload", "told"),
    [
        (b"", "the board speaks version ? of the protocol, this is version 1"),
        (bytes([PROTOCOL_VERSION + 1]) + bytes(100), "the board speaks version 2 of the protocol"),
        (bytes([PROTOCOL_VERSION]), "the board's hello breaks off"),
        (bytes([PROTOCOL_VERSION]) + bytes(75) + b"\x05abc", "the board's hello breaks off"),
        (bytes([PROTOCOL_VERSION]) + bytes(75) + b"\xff" + bytes(255), "the board's hello breaks off"),
        (bytes([PROTOCOL_VERSION]) + bytes(75) + b"\x00\x00more", "the board's hello has 4 bytes more"),
    ],
)
def test_a_hello_that_is_none(small_bundle: Files, payload: bytes, told: str) -> None:
    checks = BoardChecks(FakeLine(hello_answer(payload)), FASTER)
    answer, sentence = numbers_of(verify_files(small_bundle, set(), board=checks))
    assert answer is Answer.UNPROVEN
    assert told in sentence


@pytest.mark.longer
def test_texts_of_a_board_are_plain(small_bundle: Files, image: BoardImage) -> None:
    """What is not printable ASCII in a name is shown as a question mark."""

    def change(payload: bytes) -> bytes:
        return payload[:76] + b"\x06\x1b[2Jxy" + payload[77:]

    report = board_report(small_bundle, EmulatedBoard(image), forging(HELLO, change))
    assert report.on_board is not None
    assert report.on_board.name == "?[2Jxy"


def test_another_layout_is_said_before_it_is_read(small_bundle: Files, image: BoardImage) -> None:
    """A compiler that packs a reading otherwise."""
    packed = forging(HELLO, lambda payload: payload[:6] + b"\x0f" + payload[7:])
    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(image), packed))
    assert answer is Answer.FAILED
    assert sentence.startswith("the board has 15 bytes of a reading, the model 16")


def test_an_answer_of_another_length(small_bundle: Files, image: BoardImage) -> None:
    longer = forging(STEP, lambda payload: payload + b"\x00")
    answer, sentence = numbers_of(board_report(small_bundle, EmulatedBoard(image), longer))
    assert answer is Answer.UNPROVEN
    assert "bytes, expected " in sentence


def test_a_line_that_never_stops_talking(small_bundle: Files) -> None:
    """Bytes without end, as fast as they are read, end with the time for a hello."""

    class Chatter(FakeLine):
        def read(self, most: int) -> bytes:
            time.sleep(0.001)
            return b"\x41" * most

    checks = BoardChecks(Chatter(lambda sent: b""), FASTER)
    answer, sentence = numbers_of(verify_files(small_bundle, set(), board=checks))
    assert answer is Answer.UNPROVEN
    assert "does not answer (2 times asked, 0.1 s each)" in sentence


@pytest.mark.longer
def test_what_was_said_before_is_passed_over(small_bundle: Files, image: BoardImage) -> None:
    """Another program left the board in the middle of a frame, and of a talk."""
    with on_line(EmulatedBoard(image)) as line:
        line.write(framed(Frame(4, 1, b"x"))[:7] + b"\x7d")
        for _ in range(2):  # the second talk finds what the first one left
            checks = BoardChecks(SpoiltLine(line, lambda data, count: data), PATIENT)
            assert numbers_of(verify_files(small_bundle, set(), board=checks))[0] is Answer.PASSED
