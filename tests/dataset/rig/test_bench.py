"""The bench of virtual units: spreads from part to part, what each recipe shows, seeds, and the line
protocol. Tables made by hand, no field solved.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.live.board import LineReader
from dataset.records import Frames
from dataset.rig.bench import Bench, RigCapture, lines
from dataset.rig.scenario import Recipe, Scenario

DRY_PF, EARTHED_PF, FLOATING_PF = 2.0, 1.6, 1.2  # of the tables made by hand
MANY = 1500
SD = 0.07  # relative; four standard errors of a standard deviation from 1500 normal draws, 4 / sqrt(2 n)
BenchOf = Callable[..., Bench]
Section = Callable[..., Scenario]


@pytest.fixture(scope="module")
def many(washer: Scenario, bench_of: BenchOf) -> list[Any]:
    bench = bench_of(washer)
    return [bench.unit(k) for k in range(MANY)]


def sent(capture: RigCapture) -> bytes:
    return b"".join(lines(capture.frames))


def standing(level_mm: float, frames: int = 40, **more: Any) -> Recipe:
    """A recipe that stands still at one level."""
    return Recipe("standing", "steps", frames, levels_mm=(level_mm,), **more)


def picofarads(bench: Bench, capture: RigCapture) -> np.ndarray:
    """What a calm bench's counts stand for."""
    board = bench.scenario.board
    return (capture.frames.counts.astype(float) - board.offset_counts) / board.counts_per_pf


# -- seeds ---------------------------------------------------------------------------------------------------


def test_the_same_seed_sends_the_same_bytes(washer: Scenario, bench_of: BenchOf) -> None:
    for recipe in washer.recipe:
        first, again = (bench_of(washer).capture(bench_of(washer).unit(2), "water", recipe) for _ in range(2))
        assert sent(first) == sent(again)
        assert (first.marks, first.stretches) == (again.marks, again.stretches)


def test_all_else_that_is_asked_for_changes_it(washer: Scenario, bench_of: BenchOf) -> None:
    bench, recipe = bench_of(washer), washer.find_recipe("steps")
    others = [
        bench.capture(bench.unit(2), "water", recipe),
        bench.capture(bench.unit(2), "water", recipe, 1),
        bench.capture(bench.unit(2), "rinse-aid", recipe),
        bench.capture(bench.unit(2), "water", replace(recipe, name="again")),
        bench.capture(bench.unit(3), "water", recipe),
        bench_of(washer, seed=1).capture(bench_of(washer, seed=1).unit(2), "water", recipe),
    ]
    assert len({sent(one) for one in others}) == len(others)


def test_one_unit_changes_no_other(washer: Scenario, bench_of: BenchOf) -> None:
    """Whatever was made before, and in whatever order."""
    alone, among, recipe = bench_of(washer), bench_of(washer), washer.find_recipe("foam")
    for number in (7, 1, 5):
        among.capture(among.unit(number), "water", recipe)
    assert sent(among.capture(among.unit(3), "water", recipe)) == sent(
        alone.capture(alone.unit(3), "water", recipe)
    )
    assert among.trim(among.unit(3), 80.0) == alone.trim(alone.unit(3), 80.0)


def test_another_seeds_unit_has_another_name(washer: Scenario, bench_of: BenchOf) -> None:
    """In one store two units of one name would be taken for one."""
    assert bench_of(washer).unit(3).name == "detergent-canister-1-03"
    assert bench_of(washer, seed=4).unit(3).name != bench_of(washer).unit(3).name
    assert (bench_of(washer, seed=4).unit(3).gain != bench_of(washer).unit(3).gain).all()


# -- from part to part ---------------------------------------------------------------------------------------


def test_units_spread_as_stated(washer: Scenario, many: list[Any]) -> None:
    """What all pads share and what is each pad's own add up as variances."""
    its, board = washer.spread, washer.board
    for values, shared, own, mean in (
        (np.stack([u.gain for u in many]), its.gain, its.pad_gain, 1.0),
        (np.stack([u.offset for u in many]), its.offset_counts, its.pad_offset_counts, board.offset_counts),
        (np.stack([u.height_mm for u in many]), its.mounting_mm, its.pad_mm, 0.0),
    ):
        assert values[:, 0].std() == pytest.approx(np.hypot(shared, own), rel=SD)
        assert (values[:, 0] - values[:, 1]).std() == pytest.approx(np.sqrt(2) * own, rel=SD)
        assert values.mean() == pytest.approx(mean, abs=4 * np.hypot(shared, own) / np.sqrt(MANY))
    assert np.std([u.noise_counts for u in many]) == pytest.approx(its.noise * board.noise_counts, rel=SD)
    assert np.std([u.counts_per_k for u in many]) == pytest.approx(
        washer.temperature.board_counts_per_k, rel=SD
    )


def test_a_thicker_wall_makes_less_swing(washer: Scenario, many: list[Any]) -> None:
    """A plate capacitor's law, one over the thickness: to first order the swing spreads as the adhesive does
    over the wall.
    """
    swings = np.asarray([u.swing for u in many])
    assert swings.std() == pytest.approx(washer.spread.gap_mm / washer.tank[0].wall_mm, rel=SD)
    assert swings.mean() == pytest.approx(1.0, abs=0.005)


def test_a_strip_that_sits_higher_sees_the_level_lower(calm: Scenario, bench_of: BenchOf) -> None:
    bench = bench_of(calm)
    unit = replace(bench.unit(0), height_mm=np.full(8, 2.0))
    up, plain = (
        bench.capture(u, "water", standing(level)) for u, level in ((unit, 50.0), (bench.unit(0), 48.0))
    )
    assert up.truth.level_mm[0] == 50.0
    up_pf, plain_pf = picofarads(bench, up), picofarads(bench, plain)
    assert up_pf == pytest.approx(plain_pf, abs=2 / calm.board.counts_per_pf)


# -- counts --------------------------------------------------------------------------------------------------


def test_counts_by_hand(calm: Scenario, bench_of: BenchOf) -> None:
    """At 50 mm the third pad, 42 to 58 mm, is half covered; those below are covered, those above dry."""
    bench = bench_of(calm)
    capture = bench.capture(bench.unit(0), "water", standing(50.0))
    expected = calm.board.offset_counts + calm.board.counts_per_pf * (
        DRY_PF + FLOATING_PF * np.asarray([1, 1, 0.5, 0, 0, 0, 0, 0])
    )
    assert np.abs(capture.frames.counts - expected).max() <= 0.5
    earthed = expected + calm.board.counts_per_pf * (EARTHED_PF - FLOATING_PF) * np.asarray(
        [1, 1, 0.5, 0, 0, 0, 0, 0]
    )
    assert bench.trim(bench.unit(0), 50.0) == tuple(
        np.rint(earthed)
    )  # at the trim everything is joined to earth
    assert (
        bench.trim(bench.unit(0), None)
        == (round(calm.board.offset_counts + calm.board.counts_per_pf * DRY_PF),) * 8
    )


def test_counts_that_fall(calm: Scenario, bench_of: BenchOf, section: Section) -> None:
    """An oscillator's rate goes with one over its capacitance, so that rate times capacitance stays:
    relaxation oscillators, common practice.
    """
    scenario = section(calm, "board", count_law="falls")
    bench = bench_of(scenario)
    capture = bench.capture(bench.unit(0), "water", standing(50.0))
    total = scenario.board.offset_counts + scenario.board.counts_per_pf * (
        DRY_PF + FLOATING_PF * np.asarray([1, 1, 0.5, 0, 0, 0, 0, 0])
    )
    products = capture.frames.counts * total
    assert products == pytest.approx(np.full(products.shape, products[0, 0]), rel=1e-4)
    assert capture.frames.counts[0, 0] < capture.frames.counts[0, -1]


def test_counts_stay_within_their_width(washer: Scenario, bench_of: BenchOf, section: Section) -> None:
    bench = bench_of(section(washer, "board", count_bits=12))
    assert bench.capture(bench.unit(0), "water", washer.find_recipe("ramp")).frames.counts.max() == 4095


def test_noise_is_the_units(calm: Scenario, bench_of: BenchOf) -> None:
    bench = bench_of(calm)
    unit = replace(bench.unit(0), noise_counts=30.0)
    counts = bench.capture(unit, "water", standing(50.0, 600)).frames.counts
    assert counts.std(axis=0) == pytest.approx(np.full(8, 30.0), rel=4 / np.sqrt(2 * 600))
    assert np.corrcoef(counts[:, 0], counts[:, 1])[0, 1] == pytest.approx(0, abs=4 / np.sqrt(600))


# -- temperature, drift and tilt over sessions ---------------------------------------------------------------


def over_sessions(bench: Bench, sessions: int, frames: int = 20) -> list[RigCapture]:
    unit = bench.unit(0)
    return [bench.capture(unit, "water", standing(50.0, frames), k) for k in range(sessions)]


def test_tilt_moves_the_surface_at_the_pads(calm: Scenario, bench_of: BenchOf, section: Section) -> None:
    """At a distance from the axis the surface stands distance * tan(angle) higher; over sessions with the
    standard deviation of the angle.
    """
    scenario = section(calm, "liquid_motion", tilt_deg=4.0, axis_mm=25.0)
    bench, middle = bench_of(scenario), []
    for capture in over_sessions(bench, 200):
        pf = picofarads(bench, capture)[:, 2]
        middle.append(42.0 + 16.0 * (pf.mean() - DRY_PF) / FLOATING_PF)
        assert np.ptp(pf) < 1e-3
        assert (capture.truth.level_mm == 50.0).all()
    assert np.std(middle) == pytest.approx(25.0 * np.tan(np.deg2rad(4.0)), rel=4 / np.sqrt(400))
    assert np.mean(middle) == pytest.approx(50.0, abs=4 * np.std(middle) / np.sqrt(200))


def test_the_baseline_drifts_from_session_to_session(
    calm: Scenario, bench_of: BenchOf, section: Section
) -> None:
    bench = bench_of(section(calm, "temperature", drift_counts=40.0))
    dry = [c.frames.counts[:, -1].mean() for c in over_sessions(bench, 200)]
    assert np.std(dry) == pytest.approx(40.0, rel=4 / np.sqrt(400))


def test_a_warmer_board_and_liquid_show(calm: Scenario, bench_of: BenchOf, section: Section) -> None:
    """The board moves all counts with its temperature, which is sent; the liquid scales the swing and leaves
    dry pads.
    """
    bench = bench_of(section(calm, "temperature", ambient_c=(10.0, 40.0)))
    frames = bench.capture(replace(bench.unit(0), counts_per_k=20.0), "water", standing(50.0, 200)).frames
    assert frames.temperature_c is not None
    slope = np.polyfit(frames.temperature_c, frames.counts[:, -1], 1)[0]
    assert slope == pytest.approx(20.0, rel=0.02)
    bench = bench_of(section(calm, "temperature", liquid_c=(62.0, 62.0), swing_per_k=-0.001))
    capture = bench.capture(bench.unit(0), "water", standing(50.0))
    pf = picofarads(bench, capture)
    assert pf[0, 0] - DRY_PF == pytest.approx(FLOATING_PF * 0.96, abs=1e-3)  # 40 K above 22 degrees
    assert pf[0, -1] == pytest.approx(DRY_PF, abs=1e-3)


# -- recipes -------------------------------------------------------------------------------------------------


def test_the_share_of_earthed_sessions(
    calm: Scenario, washer: Scenario, bench_of: BenchOf, section: Section
) -> None:
    share, sessions = washer.earthing.earthed_share, 200
    earthed = [
        c.truth.earthed[0]
        for c in over_sessions(bench_of(section(calm, "earthing", earthed_share=share)), sessions)
    ]
    assert np.mean(earthed) == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / sessions))


def test_earthing_that_changes_halfway(calm: Scenario, bench_of: BenchOf) -> None:
    bench = bench_of(calm)
    capture = bench.capture(bench.unit(0), "water", standing(50.0, 100, earthing=True))
    expected = np.where(capture.truth.earthed, EARTHED_PF, FLOATING_PF)
    assert (capture.truth.earthed[:50] != capture.truth.earthed[50:]).all()
    assert picofarads(bench, capture)[:, 0] - DRY_PF == pytest.approx(expected, abs=1e-3)


def test_foam_and_film_show_on_dry_pads_only(calm: Scenario, bench_of: BenchOf) -> None:
    """In the tables made by hand they add to what the liquid leaves bare; a scale adds the same
    everywhere.
    """
    bench = bench_of(calm)
    foam = bench.capture(bench.unit(0), "water", standing(50.0, 200, foam=True))
    pf = picofarads(bench, foam)
    assert pf[:, 0] == pytest.approx(np.full(200, pf[0, 0]), abs=1e-3)
    assert (pf[100, 3:] > DRY_PF + 0.01).all()
    assert pf[0, 3:] == pytest.approx(np.full(5, DRY_PF), abs=1e-3)  # it has still to rise
    film = bench.capture(bench.unit(0), "water", replace(calm.find_recipe("film"), frames=200))
    top = int(np.argmin(film.truth.level_mm))
    bare = film.truth.film_um[top] > 5.0
    assert bare.any()
    assert (picofarads(bench, film)[top, bare] > DRY_PF + 0.01).all()
    scale = bench.capture(bench.unit(0), "water", standing(50.0, scale=True))
    clean = bench.capture(bench.unit(0), "water", standing(50.0))
    assert picofarads(bench, scale) - picofarads(bench, clean) == pytest.approx(
        np.full((40, 8), calm.film.scale_share * FLOATING_PF), abs=1e-3
    )


def test_a_film_in_an_empty_tank_thins(calm: Scenario, bench_of: BenchOf) -> None:
    """By one over the root of its age, thickest at the bottom (Jeffreys, 1930, from memory)."""
    bench = bench_of(calm)
    capture = bench.capture(bench.unit(0), "water", replace(calm.find_recipe("empty-film"), frames=400))
    film = capture.truth.film_um
    inverse = film[:, 1][film[:, 1] < calm.film.most_um] ** -2
    assert np.diff(inverse, 2) == pytest.approx(np.zeros(len(inverse) - 2), abs=1e-6 * inverse[-1])
    assert inverse[-1] > inverse[0]
    assert (np.diff(film[-1]) <= 0).all()
    assert (capture.truth.level_mm == 0).all()


def test_flicker_belongs_to_foam(calm: Scenario, bench_of: BenchOf, section: Section) -> None:
    """Its standard deviation is the stated share of what foam adds, on each pad by itself."""
    steady, restless = (
        bench_of(calm),
        bench_of(section(calm, "foam", flicker=0.1, collapse_s=(1e6, 1e6), drain_s=(1e6, 1e6))),
    )
    capture = restless.capture(restless.unit(0), "water", standing(20.0, 800, foam=True))
    pf = picofarads(restless, capture)[100:]
    assert pf[:, 0].std() < 1e-3
    assert pf[:, 4].std() / (pf[:, 4].mean() - DRY_PF) == pytest.approx(0.1, rel=4 / np.sqrt(1400))
    assert np.corrcoef(pf[:, 4], pf[:, 5])[0, 1] == pytest.approx(0, abs=4 / np.sqrt(700))
    plain = steady.capture(steady.unit(0), "water", standing(20.0, 800))
    assert picofarads(steady, plain)[:, 4].std() < 1e-3


def test_drops_a_hand_and_an_unplugged_pad_are_seen(calm: Scenario, bench_of: BenchOf) -> None:
    bench = bench_of(calm)
    drops = picofarads(bench, bench.capture(bench.unit(0), "water", calm.find_recipe("empty-drops")))
    assert (drops > DRY_PF + 0.01).all(axis=0).any()
    hand = bench.capture(bench.unit(0), "water", standing(1.0, 120, hand=True))
    pf = picofarads(bench, hand)
    assert pf[60].max() > pf[10].max() + 0.05
    assert pf[10] == pytest.approx(pf[110], abs=1e-3)
    unplugged = bench.capture(bench.unit(0), "water", standing(50.0, 120, unplugged=True))
    assert ((unplugged.frames.counts == 0).sum(axis=1) == unplugged.truth.unplugged).all()
    assert (unplugged.frames.counts[60:] == 0).all(axis=0).sum() == 1


def test_sloshing_moves_the_counts_and_not_the_label(
    calm: Scenario, bench_of: BenchOf, section: Section
) -> None:
    bench = bench_of(section(calm, "liquid_motion", slosh_mm=2.0))
    capture = bench.capture(bench.unit(0), "water", standing(50.0, 300, sloshing=True))
    pf = picofarads(bench, capture)[:, 2]
    heights = 42.0 + 16.0 * (pf - DRY_PF) / FLOATING_PF
    assert np.ptp(heights) == pytest.approx(4.0, rel=0.03)
    assert {m.level_mm for m in capture.marks} == {50.0}


def test_an_empty_tank_is_dry_though_the_surface_moves(
    calm: Scenario, bench_of: BenchOf, section: Section
) -> None:
    bench = bench_of(section(calm, "liquid_motion", slosh_mm=50.0, tilt_deg=40.0))
    for number in range(20):  # tilted to either side
        pf = picofarads(bench, bench.capture(bench.unit(0), "water", calm.find_recipe("dry"), number))
        assert pf == pytest.approx(np.full(pf.shape, DRY_PF), abs=1e-3)


def test_a_liquid_that_the_tank_does_not_hold(calm: Scenario, bench_of: BenchOf) -> None:
    bench = bench_of(calm)
    with pytest.raises(InputError, match="tank detergent-canister: liquid 'milk'; expected one of water"):
        bench.capture(bench.unit(0), "milk", calm.find_recipe("dry"))


# -- the line protocol ---------------------------------------------------------------------------------------


def test_a_board_would_send_it(washer: Scenario, bench_of: BenchOf) -> None:
    """Read back by the reader of live captures, in pieces of any size: every frame, and nothing else."""
    bench = bench_of(washer)
    frames = bench.capture(bench.unit(1), "water", washer.find_recipe("steps")).frames
    reader, text = LineReader(8, washer.board.count_bits), b"".join(lines(frames))
    got = [line for k in range(0, len(text), 37) for line in reader.feed(text[k : k + 37])]
    assert not reader.tally
    assert [line.t_ms for line in got] == frames.t_ms.tolist()
    assert [line.counts for line in got] == [tuple(row) for row in frames.counts.tolist()]
    assert [line.temperature_c for line in got] == pytest.approx(frames.temperature_c)


def test_a_line_without_a_temperature() -> None:
    frames = Frames(
        np.asarray([0, 100]), np.asarray([[1, 2], [3, 4]], np.uint32), np.asarray([np.nan, 21.25])
    )
    assert list(lines(frames)) == [b"0,1,2\n", b"100,3,4,21.2\n"]
    assert list(lines(replace(frames, temperature_c=None))) == [b"0,1,2\n", b"100,3,4\n"]


def test_a_recipes_own_warmth(calm: Scenario, bench_of: BenchOf, section: Section) -> None:
    """A swing that falls by 1 % for each kelvin over 22 degrees: at 62 degrees 60 % of it are left, whatever
    the scenario's range is.
    """
    scenario = section(calm, "temperature", swing_per_k=-0.01)
    recipe = replace(calm.find_recipe("steps"), levels_mm=(0.0, 150.0), frames=40)
    bench = bench_of(scenario)
    unit = bench.unit(0)

    def step(liquid_c: tuple[float, ...]) -> float:
        counts = (
            bench.capture(unit, "water", replace(recipe, liquid_c=liquid_c)).frames.counts[:, 0].astype(float)
        )
        return float(counts[30:].mean() - counts[:10].mean())

    assert step((62.0, 62.0)) / step((22.0, 22.0)) == pytest.approx(0.6, abs=1e-3)


def test_a_block_makes_its_share_of_the_step(washer: Scenario, bench_of: BenchOf) -> None:
    """Over units and pads the mean and the standard deviation of (block - dry) / (full - dry) are those that
    were asked for.
    """
    bench = bench_of(washer)
    shares = []
    for number in range(60):
        unit = bench.unit(number)
        dry, full, block = (
            np.asarray(t, float)
            for t in (bench.trim(unit, None), bench.trim(unit, bench.full_mm), bench.block(unit, 0.5, 0.02))
        )
        shares.extend((block - dry) / (full - dry))
    assert np.mean(shares) == pytest.approx(0.5, abs=0.004)
    assert np.std(shares) == pytest.approx(0.02, rel=0.12)
