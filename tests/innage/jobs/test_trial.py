"""A trial without ports: what a key keeps, and what is said of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from building import TANK, bench_store, two_pads
from dataset.labels.marking import Labelling
from dataset.live.bars import Bars
from dataset.live.feeds import News, Piece
from dataset.records import Liquid, Tank
from dataset.store import Store
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Cylinder
from innage.jobs.sessions.capturing import ReadOff
from innage.jobs.sessions.circumstances import Circumstances
from innage.jobs.trial import trial as trials
from innage.jobs.trial.figures import Differences
from innage.jobs.trial.keeping import Keeper, KeptAs
from innage.jobs.trial.stepping import Stepper
from innage.jobs.trial.trial import Trial
from innage.jobs.trial.weighing import Reference
from training.program.builder import Builder


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "innage.db") as opened:
        yield opened


@pytest.fixture
def trial(store: Store) -> Trial:
    return a_trial(store)


def a_trial(store: Store, tank: Tank = TANK, labelling: Labelling | None = None) -> Trial:
    """A program that says how many frames it has seen, in 1/64 mm, on a bench that can keep stretches."""
    b = Builder("m", count_bits=16, channels=2, period_ms=100, span=6400)
    b.state("seen", (0,), (0,), (1000,))
    level = b.node("clip", "seen", low=0, high=1000, scale="1/64 mm")
    b.renew("seen", b.node("clip", b.node("dense", "seen", weights=((1,),), bias=(1,)), low=0, high=1000))
    program = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
    bench = bench_store(store, tank=tank, sensor=two_pads(), liquid=Liquid("water"))
    about = Circumstances(bench.unit, bench.liquid, bench.mounting)
    keeper = Keeper(store, KeptAs("trial", about, ReadOff()))
    reference = Reference(bench.mounting.tank, labelling)
    return Trial("m", bench.mounting, Stepper(program, None), Bars((), bench.mounting), reference, keeper)


def play(trial: Trial, start: int, stop: int, before: str = "") -> list[float | None]:
    """Frames of a board; the levels that are said of them."""
    rows = (f"{100 * k},{1000 + 7 * k % 40},{1000 + 13 * k % 30}\n" for k in range(start, stop))
    return [r.level_mm for r in trial.listen(Piece(News.BYTES, 0.0, (before + "".join(rows)).encode()))]


def kept(trial: Trial, store: Store) -> list[int]:
    """The times of the frames of the session that was sealed last."""
    return [int(t) for t in store.frames(trial.keeper.sessions[-1]).t_ms]


def test_a_stretch_begins_where_the_program_did(trial: Trial, store: Store) -> None:
    """Frames from before a gap belong to an earlier start of the program, and are not kept."""
    play(trial, 0, 20)
    assert play(trial, 30, 45)[0] == 0
    trial.enter("k")
    play(trial, 45, 50)
    trial.enter("k")
    times = kept(trial, store)
    assert (len(times), times[-1] - times[0]) == (20, 1900)
    assert not trial.keeper.sessions[-1].simulated


def test_a_stretch_of_a_simulated_board_is_simulated(trial: Trial) -> None:
    """Whether the board says so before the key or after it."""
    play(trial, 0, 10)
    trial.enter("k")
    play(trial, 10, 20, "# simulated\n")
    trial.enter("k")
    play(trial, 20, 30)
    trial.enter("k")
    play(trial, 30, 40)
    trial.enter("k")
    assert [session.simulated for session in trial.keeper.sessions] == [True, True]


def test_a_start_too_long_ago_is_not_kept(
    trial: Trial, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The program starts anew with the stretch then, so that a replay of it says the same."""
    monkeypatch.setattr(trials, "MOST_BEFORE", 30)
    play(trial, 0, 40)
    trial.enter("k")
    assert trial.view().message.endswith("; the program starts anew with it")
    assert play(trial, 40, 50)[:3] == [0, 1 / 64, 2 / 64]
    trial.enter("k")
    assert len(kept(trial, store)) == 10


def test_what_is_noticed_of_a_stretch_is_said(trial: Trial) -> None:
    """One mark is one mark; a level that is typed while the pads move is warned of, as in any session."""
    play(trial, 0, 40)
    trial.enter("k")
    trial.enter("12.5")
    rows = "".join(f"{100 * k},{1000 + 60 * k},{1000 + 13 * k % 30}\n" for k in range(40, 140))
    trial.listen(Piece(News.BYTES, 0.0, rows.encode()))
    trial.enter("k")
    assert "140 frames, 1 mark; warned of: " in trial.view().message
    assert "moving mark" in trial.view().message.partition("warned of: ")[2]


def test_a_level_holds_until_it_is_taken_back(trial: Trial, store: Store) -> None:
    """Enter alone ends the mark where it is pressed, not where the stretch ends."""
    play(trial, 0, 20)
    trial.enter("k")
    trial.enter("12.5")
    play(trial, 20, 40)
    trial.enter("")
    play(trial, 40, 60)
    trial.enter("k")
    (mark,) = store.session(trial.keeper.sessions[-1].id).marks
    assert (mark.start, mark.stop, mark.level_mm) == (20, 40, 12.5)


def test_a_mass_that_is_typed_is_of_the_frames_temperature(store: Store) -> None:
    """Warm water stands higher, by what its density says; without a temperature the stated one counts.

    Source: density of water at 20 and 60 degrees C, 998.2 and 983.2 kg/m3 (tables of the IAPWS formulation,
    from memory).
    """
    can = Tank("can", 0, 100.0, profile=to_json(stack([Cylinder(100.0, 120.0)])))
    trial = a_trial(store, can, Labelling(Liquid("water", model="water"), temperature_c=20.0))
    levels = []
    for k, field in enumerate(("", ",20", ",60")):
        rows = "".join(f"{100 * t},1000,1000{field}\n" for t in range(10 * k, 10 * k + 10))
        trial.listen(Piece(News.BYTES, 0.0, rows.encode()))
        trial.enter("400 g")
        levels.append(float(trial.view().message.rpartition(" = ")[2].removesuffix(" mm")))
    assert levels[0] == levels[1]
    assert levels[0] == pytest.approx(400 / 0.9982 / (math.pi / 4 * 100**2) * 1000, rel=2e-3)
    assert levels[2] / levels[1] == pytest.approx(998.2 / 983.2, abs=4e-4)


def test_what_is_typed_beside_a_scale_is_not_taken(trial: Trial) -> None:
    """The scale says the level, though it moves at the moment."""
    play(trial, 0, 5)
    trial.weigh(SimpleNamespace(look=lambda _: [], held_g=None))  # type: ignore[arg-type]  # all that is asked
    trial.enter("12.5")
    assert trial.view().message == "the scale says the level; what is read off is not taken beside it"
    assert trial.view().reference == ""


def test_the_worst_difference_is_the_one_furthest_off() -> None:
    """On either side, with the time of its frame."""
    differences = Differences()
    for k, difference in enumerate((1.0, -3.0, 2.0, 5.0, -4.0)):
        differences.take(100 * k, difference)
    assert (differences.worst_mm, differences.worst_t_ms) == (5.0, 300)
    assert differences.mean_mm == pytest.approx(0.2)
