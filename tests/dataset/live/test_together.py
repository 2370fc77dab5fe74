"""Several boards and one scale by hand: when a mass stands still, which frames it marks, and that a board's
fault is its own.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from building import bench_store
from dataset.errors import InputError, StoreError
from dataset.live.board import SourceEnded, SourceLost
from dataset.live.capture import Capture
from dataset.live.scale import MassReader, Steadiness, Weighing
from dataset.live.stated import Stated
from dataset.live.together import OnBoard, capture_together
from dataset.records import CountLaw, Liquid, Pad, Sensor, Tank
from dataset.store import Store
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Cylinder

PERIOD = 100


def test_masses_are_read_with_their_unit() -> None:
    """Lines cut anywhere, either decimal sign, kilograms, signs with blanks; what is no mass is counted."""
    reader = MassReader()
    assert reader.feed(b"431.2\r\n 431,3 g\n+ 0.43") == [431.2, 431.3]
    assert reader.feed(b"15 kg\nERR\n-2.5\n1.2.3\n") == [431.5, -2.5]
    assert reader.garbage == 2
    reader.feed(b"12")
    reader.cut()
    assert reader.feed(b"7\n") == [7.0]


def test_a_mass_stands_still_after_its_time_and_within_its_bound() -> None:
    """Nothing before five seconds; then the mean, until one is off by more; then five seconds anew."""
    weighing, held = Weighing(Steadiness(1.0, 5.0)), []
    masses = [100.0, 100.4] * 6 + [103.0] * 8
    for at, mass in enumerate(masses):
        weighing.take(mass, float(at))
        held.append(weighing.held)
    assert held[:5] == [None] * 5
    assert held[5:12] == [pytest.approx(100.2)] * 7
    assert held[12:17] == [None] * 5
    assert held[17:] == [103.0] * 3
    weighing.quiet(21.0)
    assert weighing.held == 103.0
    weighing.quiet(21.5)
    assert weighing.held is None


def test_a_slow_drift_does_not_stand_still() -> None:
    """A tap that drips: 0.3 g a second is more than a gram within five."""
    weighing = Weighing(Steadiness(1.0, 5.0))
    for at in range(60):
        weighing.take(100.0 + 0.3 * at, float(at))
        assert weighing.held is None


def test_what_is_held_stays_within_its_bound_of_the_mass() -> None:
    """0.15 g a second stand still for the bound's sake; the mean that is held is given up once it is off."""
    weighing, held = Weighing(Steadiness(1.0, 5.0)), []
    for at in range(60):
        weighing.take(100.0 + 0.15 * at, float(at))
        if weighing.held is not None:
            held.append(weighing.held)
            assert abs(weighing.held - (100.0 + 0.15 * at)) <= 1.0
    assert len(set(held)) > 2


class Script:
    """A source whose bytes come when the test says so."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._pieces: list[bytes | type[Exception]] = []
        self._reads = 0
        self._changed = threading.Condition()

    def read(self) -> bytes:
        """The next piece, or what happens instead."""
        with self._changed:
            self._reads += 1
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._pieces, 0.05)
            if not self._pieces:
                return b""
            piece = self._pieces.pop(0)
            self._reads = 0
        if isinstance(piece, bytes):
            return piece
        raise piece(self.name)

    def reopen(self) -> bool:
        """It is there again."""
        return True

    def close(self) -> None:
        """Nothing to let go of."""

    def send(self, piece: bytes | type[Exception]) -> None:
        """Let a piece come, and wait until the reader has passed it on: it reads again then, unless the
        stream is at its end.
        """
        with self._changed:
            self._pieces.append(piece)
            self._changed.notify_all()
            passed = self._changed.wait_for(lambda: not self._pieces and self._reads > 0, 5.0)
        assert passed or piece is SourceEnded


@pytest.fixture
def bench(new_store: Store) -> Store:
    """A store with a cylinder of 100 mm whose base is 100 cm2, a sensor of two pads, two units, and a liquid
    of 1 g/mL: 10 g are a millimetre.
    """
    pads = (Pad(0, "a", 0.0, 40.0), Pad(1, "b", 50.0, 40.0))
    diameter = 2 * (10_000 / 3.141592653589793) ** 0.5
    tank = Tank("tank", 0, 100.0, profile=to_json(stack([Cylinder(diameter, 100.0)])))
    bench_store(
        new_store,
        tank=tank,
        sensor=Sensor("strip", 0, pads, 12, CountLaw.RISES, PERIOD),
        liquid=Liquid("liquid", density=1000.0, temperature_c=20.0),
        unit=("u1", "u2"),
        mounting="mounting",
    )
    return new_store


def on_board(store: Store, unit: str) -> OnBoard:
    stated = Stated()
    mounting, liquid = store.mounting("mounting"), store.liquid("liquid")
    capture = Capture.begin(store, unit, store.unit(unit), liquid, mounting, (), stated)
    return OnBoard(unit, capture, Script(unit))


def frames(start: int, stop: int) -> bytes:
    return b"".join(b"%d,%d,%d\n" % (PERIOD * k, 100 + k % 3, 200 + k % 5) for k in range(start, stop))


class Play:
    """Runs the capture in steps: each call of ``wait`` does the next thing of a list."""

    def __init__(self, steps: list[Callable[[], None]]) -> None:
        self.now, self.steps, self.told = 0.0, steps, list[str]()

    def wait(self, seconds: float) -> None:
        """The next step, a second later."""
        self.now += 1.0
        if self.steps:
            self.steps.pop(0)()

    def run(self, boards: list[OnBoard], scale: Script | None, stop_at: int | None = None) -> None:
        """Capture until the steps are done."""
        capture_together(
            boards,
            scale,
            self.told.append,
            rule=Steadiness(1.0, 2.0),
            stop_at=stop_at,
            stop=lambda: not self.steps,
            clock=lambda: self.now,
            wait=self.wait,
        )


def test_one_scale_marks_the_frames_of_all_boards(bench: Store) -> None:
    """200 g stand for 20 mm: marked from when it is known until the scale was last seen there, on both
    boards; what comes while it moves has no mark.
    """
    boards, scale = [on_board(bench, "u1"), on_board(bench, "u2")], Script("scale")
    one, two = (board.source for board in boards)
    assert isinstance(one, Script)
    assert isinstance(two, Script)

    def both(start: int, stop: int, mass: bytes) -> Callable[[], None]:
        def step() -> None:
            one.send(frames(start, stop))
            two.send(frames(start + 7, stop + 7))
            scale.send(mass)

        return step

    steps = [both(10 * k, 10 * k + 10, b"200.0 g\n") for k in range(6)]
    steps += [both(60, 70, b"260 g\n"), both(70, 80, b"300 g\n"), both(80, 90, b"300 g\n"), lambda: None]
    play = Play(steps)
    play.run(boards, scale)
    for board in boards:
        (mark,) = board.capture.marks()
        assert mark.level_mm == pytest.approx(20.02, abs=0.005)  # buoyancy in air is 0.1 %
        assert mark.start == 30
        assert mark.stop == 60
        assert board.capture.committed == 90
    assert [text for text in play.told if "200.0 g" in text]


@pytest.mark.longer
def test_a_lost_scale_ends_marks_and_a_found_one_begins_anew(bench: Store) -> None:
    """What the mass was is not known in between."""
    board, scale = on_board(bench, "u1"), Script("scale")
    source = board.source
    assert isinstance(source, Script)

    def step(k: int, mass: bytes | type[Exception]) -> Callable[[], None]:
        def both() -> None:
            source.send(frames(10 * k, 10 * k + 10))
            scale.send(mass)

        return both

    steps = [step(k, b"200 g\n") for k in range(5)] + [step(5, SourceLost)]
    steps += [step(k, b"200 g\n") for k in range(6, 14)]
    Play(steps).run([board], scale)
    first, second = board.capture.marks()
    assert first.stop <= 60
    assert second.start >= 70


@pytest.mark.longer
def test_a_fault_of_one_board_is_its_own(bench: Store) -> None:
    """A board with three counts a line is told and left; the other is sealed. A mass beyond the tank marks
    nothing, and that is told once.
    """
    boards, scale = [on_board(bench, "u1"), on_board(bench, "u2")], Script("scale")
    one, two = (board.source for board in boards)
    assert isinstance(one, Script)
    assert isinstance(two, Script)

    def step(k: int) -> Callable[[], None]:
        def both() -> None:
            one.send(b"".join(b"%d,1,2,3,4\n" % (PERIOD * n) for n in range(10 * k, 10 * k + 10)))
            two.send(frames(10 * k, 10 * k + 10))
            scale.send(b"2000 g\n")

        return both

    steps = [step(k) for k in range(6)] + [lambda: two.send(SourceEnded), lambda: None, lambda: None]
    play = Play(steps)
    play.run(boards, scale)
    assert boards[0].fault is not None
    assert "numbers a line" in str(boards[0].fault)
    assert boards[0].session is None
    assert boards[1].session is not None
    assert boards[1].session.frames == 60
    assert boards[1].session.marks == ()
    assert sum("gives no level" in text for text in play.told) == 1
    assert [capture.name for capture in bench.open_captures()] == ["u1"]


def test_a_store_that_is_busy_is_written_to_again(bench: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames wait until it takes them; the sentence is told once a minute."""
    board = on_board(bench, "u1")
    source = board.source
    assert isinstance(source, Script)
    real, busy = Store.append_to_capture, [True]

    def append(*given: object) -> int:
        if busy[0]:
            raise StoreError("store", "another process was writing to it")
        return real(*given)  # type: ignore[arg-type]  # what the real one is given

    monkeypatch.setattr(Store, "append_to_capture", append)

    def step(k: int) -> Callable[[], None]:
        return lambda: source.send(frames(10 * k, 10 * k + 10))

    play = Play([*(step(k) for k in range(4)), lambda: busy.__setitem__(0, False), step(4)])
    play.run([board], None)
    assert board.capture.committed == 50
    assert sum("another process was writing" in text for text in play.told) == 1


def test_bounds_of_standing_still_are_checked(bench: Store) -> None:
    with pytest.raises(InputError, match="steady_g: 0; expected more than 0"):
        capture_together([on_board(bench, "u1")], None, print, rule=Steadiness(0.0, 5.0))
