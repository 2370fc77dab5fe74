"""The virtual rig as a board, against the reader of the line protocol; made-up frames, no field solution."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from building import bench_store
from dataset.live.board import LineReader
from dataset.live.capture import Capture
from dataset.records import CountLaw, Frames, Liquid, Mounting, Pad, Sensor, Tank, Unit
from dataset.rig.peer import captures, play, timed_lines
from dataset.store import Store

PERIOD = 100


def made_up(n: int, seed: int = 1) -> Frames:
    """Frames of three channels, 16 bits, with a temperature of one decimal."""
    rng = np.random.default_rng(seed)
    return Frames(
        np.arange(n, dtype=np.int64) * PERIOD,
        rng.integers(0, 1 << 16, (n, 3)).astype(np.uint32),
        np.round(rng.normal(20, 5, n), 1),
    )


def test_the_reader_gets_back_every_frame() -> None:
    """Over two captures: times, counts and temperatures are those that were played, and no line is bad."""
    played = made_up(35)
    reader = LineReader(3, 16)
    got = reader.feed(b"".join(line for _, line in timed_lines([played], "a trial")))
    assert [line.t_ms for line in got] == played.t_ms.tolist()
    assert np.array_equal([line.counts for line in got], played.counts)
    assert played.temperature_c is not None
    assert [line.temperature_c for line in got] == played.temperature_c.tolist()
    assert set(reader.tally) == {"remark"}


def test_whoever_listens_for_a_second_learns_that_it_is_simulated() -> None:
    """Any ten lines in a row say so; lines without a remark, or with another, do not."""
    lines = [line for _, line in timed_lines([made_up(40)], "a trial")]
    for first in range(30):
        reader = LineReader(3, 16)
        reader.feed(b"".join(lines[first : first + 10]))
        assert reader.simulated, first
    reader = LineReader(3, 16)
    reader.feed(b"# board 7, not simulated\n0,1,2,3\n")
    assert not reader.simulated


def test_captures_follow_one_another_on_one_clock() -> None:
    """A period lies between the last frame of one and the first of the next, as a board that was never
    switched off has it.
    """
    asked: list[int] = []

    def capture(unit: str, liquid: str, recipe: str, number: int) -> Any:
        asked.append(number)
        return SimpleNamespace(frames=made_up(12, number))

    bench: Any = SimpleNamespace(
        capture=capture, scenario=SimpleNamespace(board=SimpleNamespace(period_ms=PERIOD))
    )
    unit, recipe = SimpleNamespace(), SimpleNamespace()
    frames = list(captures(bench, unit, "water", recipe, times=3))  # type: ignore[arg-type]  # a fixture hands it over
    assert asked == [0, 1, 2]
    assert (np.diff(np.concatenate([f.t_ms for f in frames])) == PERIOD).all()


class Clock:
    """Time that passes only while somebody waits."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now

    def wait(self, seconds: float) -> None:
        self.now += seconds


@pytest.mark.parametrize("speed", [1.0, 20.0])
def test_lines_leave_when_their_time_has_come(speed: float) -> None:
    """At the board's pace, or so many times faster."""
    clock, at = Clock(), []
    sent = play(
        timed_lines([made_up(20)], "a trial"),
        lambda data: at.append(clock.now),
        speed=speed,
        clock=clock,
        wait=clock.wait,
    )
    assert sent == 20
    assert at == pytest.approx(np.arange(20) * PERIOD / 1000 / speed)


def test_while_nobody_listens_the_boards_clock_stands_still() -> None:
    """Nothing is sent to nobody, no frame is left out, and what follows is not hurried."""
    clock, at, heard = Clock(), [], []

    def write(data: bytes) -> None:
        at.append(clock.now)
        heard.append(data)

    away = (0.55, 3.0)
    play(
        timed_lines([made_up(12)], "a trial"),
        write,
        ready=lambda: not away[0] <= clock.now < away[1],
        clock=clock,
        wait=clock.wait,
    )
    assert not [t for t in at if away[0] + 0.1 < t < away[1]]
    assert len(LineReader(3, 16).feed(b"".join(heard))) == 12
    assert np.diff(at).min() >= PERIOD / 1000 - 1e-9


@pytest.fixture
def known(new_store: Store) -> tuple[Store, tuple[Unit, Liquid, Mounting]]:
    """A store that knows a strip of three pads, and what a capture needs."""
    pads = tuple(Pad(k, f"p{k}", 10.0 * k, 8.0) for k in range(3))
    strip = Sensor("strip", 0, pads, 16, CountLaw.RISES, PERIOD)
    bench = bench_store(new_store, tank=Tank("tank", 0, 50.0), sensor=strip)
    return new_store, (bench.unit, bench.liquid, bench.mounting)


@pytest.mark.parametrize("rig", [True, False])
def test_a_live_capture_of_the_rig_is_simulated_though_nobody_said_so(
    known: tuple[Store, tuple[Unit, Liquid, Mounting]], rig: bool, tmp_path: Path
) -> None:
    """What the board said holds after the capture was left and gone on with; frames of a silent board count
    as measured.
    """
    store, what = known
    lines = [line for _, line in timed_lines([made_up(30)], "a trial")]
    if not rig:
        lines = [line[line.index(b"\n") + 1 :] if line.startswith(b"#") else line for line in lines]
    begun = Capture.begin(store, "run", *what)
    begun.feed(b"".join(lines[:15]))
    begun.commit()
    again = Capture.resume(store, "run")
    again.feed(b"".join(lines[15:19]))  # no remark among these
    assert again.seal().simulated is rig
