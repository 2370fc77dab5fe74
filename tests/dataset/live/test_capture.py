"""A live capture driven by hand: fill plans, entries that become marks, a board that starts
again, resuming.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from building import bench_store
from dataset.errors import InputError
from dataset.live.capture import Capture
from dataset.live.entries import RESTART_PERIODS
from dataset.live.plans import plan_of_levels, read_plan
from dataset.live.stated import Stated
from dataset.records import CountLaw, Liquid, Occasion, Operator, Pad, Sensor
from dataset.store import Store

PERIOD = 100


@pytest.fixture
def bench(new_store: Store) -> Store:
    """A store with one tank of 100 mm, a sensor of two pads and period 100 ms, a unit and a liquid."""
    pads = (Pad(0, "a", 0.0, 40.0), Pad(1, "b", 50.0, 40.0))
    sensor = Sensor("strip", 0, pads, 12, CountLaw.RISES, PERIOD)
    bench_store(new_store, sensor=sensor, liquid=Liquid("liquid"), unit="unit", mounting="mounting")
    return new_store


def begin(store: Store, levels: list[float] | None = None, hold_s: float = 0.5) -> Capture:
    """A capture 'run', with a plan when levels are given."""
    mounting = store.mounting("mounting")
    steps = () if levels is None else plan_of_levels(levels, mounting.sensor, mounting.tank, hold_s)
    return Capture.begin(store, "run", store.unit("unit"), store.liquid("liquid"), mounting, steps)


def play(capture: Capture, start: int, frames: int) -> None:
    """Feed ``frames`` frames, the first at ``start`` periods of the board's clock."""
    for k in range(start, start + frames):
        capture.feed(f"{PERIOD * k},{k % 7},{k % 5}\n".encode())


def test_a_board_finer_than_the_scale_is_refused_with_the_scale(bench: Store) -> None:
    """Ten lines of counts with decimals and no frame: one sentence says which scale would do."""
    capture = begin(bench)
    for k in range(9):
        capture.feed(f"{PERIOD * k},{k}.25,7.5\n".encode())
    with pytest.raises(InputError) as caught:
        capture.feed(b"2000,1.25,7\n")
    assert str(caught.value) == (
        "the board: a count of 0.25; expected a whole number, as sensor strip@1 has it. "
        "Add a sensor revision with count_scale 100, which would do"
    )


def test_confirmed_steps_become_marks(bench: Store) -> None:
    """Each step's mark begins where it is confirmed and lasts the hold; a number typed stands
    for the target.
    """
    capture = begin(bench, [0.0, 50.0])
    play(capture, 0, 10)
    capture.enter("")
    play(capture, 10, 10)
    capture.enter("49.5")
    play(capture, 20, 10)
    assert capture.finished
    session = capture.seal()
    assert [(m.start, m.stop, m.level_mm) for m in session.marks] == [(10, 15, 0.0), (20, 25, 49.5)]
    assert not bench.open_captures()


@pytest.mark.parametrize("simulated", [False, True])
def test_a_capture_from_the_rig_says_so(bench: Store, simulated: bool) -> None:
    """The word given at the beginning holds for whoever goes on with the capture and seals it."""
    what = (bench.unit("unit"), bench.liquid("liquid"), bench.mounting("mounting"))
    begun = Capture.begin(bench, "run", *what, stated=Stated(simulated=simulated))
    play(begun, 0, 10)
    begun.commit()
    assert Capture.open(bench, "run").seal().simulated is simulated


def test_skip_and_back(bench: Store) -> None:
    """A skipped step has no mark; 'back' withdraws the last mark, and its step is asked for again."""
    capture = begin(bench, [0.0, 50.0])
    play(capture, 0, 10)
    capture.enter("skip")
    assert capture.step == 1
    capture.enter("")
    play(capture, 10, 10)
    assert capture.finished
    capture.enter("back")
    assert capture.step == 1
    assert capture.marks() == ()


@pytest.mark.parametrize(
    ("text", "message"), [("101", "at most 100"), ("full", "a reading such as 12.5"), ("-1", "at least 0")]
)
def test_entries_that_cannot_be_are_refused(bench: Store, text: str, message: str) -> None:
    """A level outside the tank or a word that is not known leaves the capture as it was."""
    capture = begin(bench)
    play(capture, 0, 5)
    with pytest.raises(InputError, match=message):
        capture.enter(text)
    assert capture.marks() == ()


def test_a_board_that_starts_again(bench: Store) -> None:
    """Its clock goes back to 0; the session's goes on ten periods after the last frame, and says so."""
    capture = begin(bench)
    play(capture, 50, 20)
    play(capture, 0, 20)
    session = capture.seal()
    steps = np.diff(bench.frames(session).t_ms)
    assert session.frames == 40
    assert sorted(set(steps.tolist())) == [PERIOD, RESTART_PERIODS * PERIOD]
    assert any("the board started again 1 time" in w.sentence for w in session.warnings)


def test_a_number_garbled_on_the_way_is_no_jump_in_time(bench: Store) -> None:
    """One frame with a wild time is dropped and counted; those around it stay 100 ms apart."""
    capture = begin(bench)
    play(capture, 0, 10)
    play(capture, 9_000_000, 1)
    play(capture, 10, 10)
    assert capture.bad_lines() == {"astray in time": 1}
    assert set(np.diff(bench.frames(capture.seal()).t_ms).tolist()) == {PERIOD}


def test_resuming_with_a_board_that_started_again(bench: Store) -> None:
    """Time goes on behind the last committed frame, a running mark ends where the capture was left, what was
    not committed is gone.
    """
    capture = begin(bench)
    play(capture, 100, 20)
    capture.enter("40")
    play(capture, 120, 10)
    assert capture.commit() == 30
    play(capture, 130, 5)
    again = Capture.resume(bench, "run")
    play(again, 0, 10)
    session = again.seal()
    times = bench.frames(session).t_ms
    assert session.frames == 40
    assert (np.diff(times) > 0).all()
    assert [(m.start, m.stop) for m in session.marks] == [(20, 30)]


def test_a_board_that_starts_again_at_the_very_time_of_the_last_frame(bench: Store) -> None:
    """No two frames get one time, which no session may have: the clock goes on behind the last frame."""
    capture = begin(bench)
    play(capture, 100, 20)
    capture.commit()
    again = Capture.resume(bench, "run")
    play(again, 119, 20)
    steps = np.diff(bench.frames(again.seal()).t_ms)
    assert sorted(set(steps.tolist())) == [PERIOD, RESTART_PERIODS * PERIOD]


def test_a_discarded_capture_is_gone(bench: Store) -> None:
    """Its frames are dropped, no session comes of it, and its name is free again."""
    capture = begin(bench)
    play(capture, 0, 5)
    capture.commit()
    bench.discard_capture("run")
    assert not bench.open_captures()
    assert not bench.sessions()
    begin(bench)


def test_a_plan_file(bench: Store, tmp_path: Path) -> None:
    """Levels with holds in seconds or frames; remarks and other columns are passed over."""
    mounting = bench.mounting("mounting")
    plan = tmp_path / "plan.csv"
    plan.write_text("# monday\nstep,level_mm,hold_s\n1,0,2\n2,50,0.5\n")
    assert [(s.target, s.unit, s.hold) for s in read_plan(plan, mounting.sensor, mounting.tank)] == [
        (0.0, "mm", 20),
        (50.0, "mm", 5),
    ]
    plan.write_text("mass_g;hold_frames\n120;7\n")
    assert [(s.target, s.unit, s.hold) for s in read_plan(plan, mounting.sensor, mounting.tank)] == [
        (120.0, "g", 7)
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("level_mm\n0\n150\n", r"line 3, column 'level_mm'.*150"),
        ("level_mm,hold_s\n0,x\n", "line 2"),
        ('level_mm,hold_s\n"0,5\n50"\n', "line 2"),
        ("height\n1\n", "columns height"),
        ("level_mm\n", "no steps"),
    ],
)
def test_a_plan_file_with_a_fault(bench: Store, tmp_path: Path, text: str, message: str) -> None:
    """The line and what stands there are named."""
    mounting = bench.mounting("mounting")
    plan = tmp_path / "plan.csv"
    plan.write_text(text)
    with pytest.raises(InputError, match=message):
        read_plan(plan, mounting.sensor, mounting.tank)


def test_a_capture_begins_at_the_hosts_time_of_its_first_frame(
    bench: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not at that of a later one, also for whoever goes on with it; what is stated stands over it, and
    what is simulated has no time.
    """
    times = iter(f"2026-03-02T09:15:{second:02}+01:00" for second in range(60))
    monkeypatch.setattr("dataset.live.capture.now_instant", lambda: next(times))
    begun = begin(bench)
    play(begun, 0, 5)
    begun.commit()
    resumed = Capture.resume(bench, "run")
    play(resumed, 5, 5)
    sealed = resumed.seal()
    assert sealed.occasion == Occasion(started="2026-03-02T09:15:00+01:00")
    what = (bench.unit("unit"), bench.liquid("liquid"), bench.mounting("mounting"))
    bench.add_operator(Operator("ab"))
    stated = Occasion("ab", None, "2026-03-01T08:00:00+00:00", "2")
    for name, given, simulated, expected in (
        ("stated", stated, False, stated),
        ("rig", Occasion("ab"), True, Occasion("ab")),
    ):
        capture = Capture.begin(
            bench, name, *what, stated=Stated(simulated=simulated, occasion=given, tags=("humid",))
        )
        for k in range(10):
            capture.feed(f"{PERIOD * k},{len(name) * k % 7},{k % 5}\n".encode())
        session = capture.seal()
        assert (session.occasion, session.tags) == (expected, ("humid",))
