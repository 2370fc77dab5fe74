"""The closed-form benches: their fields against numerical solutions, their captures through the door."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import dblquad
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import spsolve

from captures.benches import (
    FOAM,
    STEPS,
    bench_a,
    bench_b,
    capture,
    draw_part,
    trim_counts,
    with_half_the_places,
    with_two_frequencies,
)
from captures.courses import fading_foam
from captures.field import contrast, floating, open_share, sheet_contrast, slit_share
from captures.filling import BLOCK, add_other_trims, fill, freeze, unit_names
from captures.second_frequency import AtLow
from dataset.records import CountLaw, Role, TrimKind, Wall
from dataset.store import Store
from training.models.trimming import usable_trims

ACCURACY = Path(__file__).parents[2] / "bench" / "accuracy.py"
BOTTOMS, TOPS = np.asarray([2.0, 16.0]), np.asarray([12.0, 30.0])


def test_the_arctangent_edge_is_poissons_integral_of_the_half_plane() -> None:
    """Poisson's integral for a half plane (any textbook of potential theory), by quadrature."""
    depth, level = 4.0, 10.0
    for pad, (bottom, top) in enumerate(zip(BOTTOMS, TOPS, strict=True)):
        whole, _ = dblquad(
            lambda x, z: depth / np.pi / ((z - x) ** 2 + depth**2), bottom, top, -np.inf, level
        )
        share = open_share(np.asarray([level]), BOTTOMS, TOPS, depth)[0, pad]
        assert share == pytest.approx(whole / (top - bottom), abs=1e-6)


def test_the_exponential_edge_is_the_field_in_a_slit() -> None:
    """Laplace's equation between two plates by finite differences, the upper one at 1 up to the level; the
    charge on the lower one over a pad.
    """
    depth, level, step = 6.0, 14.0, 0.5
    z = np.arange(-30.0, 60.0, step) + step / 2
    rows = round(depth / step) - 1
    matrix, right = lil_matrix((rows * len(z), rows * len(z))), np.zeros(rows * len(z))
    for y in range(rows):
        for k in range(len(z)):
            at = y * len(z) + k
            matrix[at, at] = 4.0
            for side in (k - 1, k + 1):
                matrix[at, y * len(z) + min(max(side, 0), len(z) - 1)] -= 1.0
            if y:
                matrix[at, at - len(z)] = -1.0
            if y < rows - 1:
                matrix[at, at + len(z)] = -1.0
            else:
                right[at] = float(z[k] < level)
    first = (
        spsolve(matrix.tocsr(), right)[: len(z)] / step * depth
    )  # the field at the pads, of that between plates
    shares = slit_share(np.asarray([level]), BOTTOMS, TOPS, depth)[0]
    for share, bottom, top in zip(shares, BOTTOMS, TOPS, strict=True):
        assert share == pytest.approx(first[(z > bottom) & (z < top)].mean(), abs=0.01)


def test_a_floating_liquid_is_a_node_without_charge() -> None:
    """Capacitors from each pad to one floating node, eliminated as Kron reduces a network (Kron, Tensor
    Analysis of Networks, 1939, from memory).
    """
    shares, earth = np.asarray([[1.0, 0.7, 0.1]]), 1.5
    total = shares.sum() + earth
    reduced = np.diag(shares[0]) - np.outer(shares[0], shares[0]) / total
    assert floating(shares, np.asarray([earth]))[0] == pytest.approx(np.diag(reduced))
    assert floating(shares, np.asarray([np.inf]))[0] == pytest.approx(shares[0])


@pytest.mark.parametrize("make", [bench_a, bench_b])
def test_units_and_sessions_depend_on_their_names_and_the_seed_alone(make: type) -> None:
    bench = make(3)
    once, again = (capture(make(3), draw_part(make(3), "one"), "soap", FOAM, 4).counts for _ in range(2))
    assert np.array_equal(once, again)
    assert not np.array_equal(once, capture(make(4), draw_part(make(4), "one"), "soap", FOAM, 4).counts)
    assert not np.array_equal(once, capture(bench, draw_part(bench, "two"), "soap", FOAM, 4).counts)


def test_a_sheet_that_conducts_shows_what_the_images_of_its_faces_add_up_to() -> None:
    """Reflections at both faces of a slab, summed (the method of images in layers: Smythe, Static and Dynamic
    Electricity, 1939, from memory), of what a conductor reflects less what air does.
    """
    wall, wave = 2.6, 0.01

    def shows(permittivity: complex) -> complex:
        first, second = (
            (wall - permittivity) / (wall + permittivity),
            (permittivity - 1) / (permittivity + 1),
        )
        there_and_back = second * np.exp(-2 * wave)
        slab, air = (
            (first + there_and_back) / (1 + first * there_and_back),
            (wall - 1) / (wall + 1),
        )
        return complex((air - slab) / (air + 1))

    high, low = 80.0, 80.0 - 300.0j
    once = sheet_contrast(np.asarray([shows(high).real]), low / high, wall)
    assert shows(high).real < 0.5 * shows(low).real
    assert once[0] == pytest.approx(shows(low).real, rel=0.02)


def test_a_liquid_that_does_not_conduct_shows_the_same_at_both_frequencies() -> None:
    rng, wall = np.random.default_rng(0), 3.4
    foam, film = fading_foam(np.arange(5.0), 3, rng), np.asarray([0.0, 0.1, 0.4])
    still, metal = (AtLow(80.1, sigma, 1e6, wall) for sigma in (0.0, 1e6))
    assert still.wet == pytest.approx(contrast(80.1, wall))
    assert still.of_foam(foam) == pytest.approx(contrast(foam.permittivity, wall))
    assert still.of_film(film) == pytest.approx(film)
    assert metal.wet == pytest.approx(1.0)
    assert metal.of_foam(foam) == pytest.approx(1.0, abs=1e-3)
    assert metal.of_film(film) == pytest.approx([0.0, 1.0, 1.0], abs=1e-3)


@pytest.mark.parametrize("make", [bench_a, bench_b])
def test_a_second_frequency_leaves_what_is_read_at_the_first(make: type) -> None:
    one, two = make(3), with_two_frequencies(make(3))
    parts = [draw_part(bench, "unit") for bench in (one, two)]
    for number, (liquid, recipe) in enumerate(one.plan):
        alone, both = (
            capture(b, p, liquid, recipe, number).counts for b, p in zip((one, two), parts, strict=True)
        )
        assert both.shape[1] == 2 * alone.shape[1]
        assert np.array_equal(both[:, : alone.shape[1]], alone)
    assert trim_counts(two, parts[1], None)[: one.strip.pads] == trim_counts(one, parts[0], None)


@pytest.mark.longer
@pytest.mark.parametrize("make", [bench_a, bench_b])
def test_half_the_places_have_as_many_channels_on_the_same_wall(make: type) -> None:
    one, half = make(3), with_half_the_places(make(3))
    counts = capture(half, draw_part(half, "unit"), "soap", STEPS).counts
    assert counts.shape[1] == one.strip.pads
    assert half.strip.tops[-1] == pytest.approx(one.strip.tops[-1])
    with Store.in_memory() as store:
        (session, *_) = fill(store, half, unit_names(half, 1))[unit_names(half, 1)[0]]
    pads = session.mounting.sensor.pads
    assert len({pad.name for pad in pads}) == half.strip.pads
    assert {pad.frequency_hz for pad in pads} == {1e6, 2e7}


@pytest.mark.longer
@pytest.mark.parametrize("make", [bench_a, bench_b])
def test_units_come_in_by_the_door_and_state_foam_film_and_dry_tanks(make: type) -> None:
    bench = make(1)
    with Store.in_memory() as store:
        first, second = unit_names(bench, 2)
        taken = fill(store, bench, [first, second])
        frozen = freeze(store, "set", taken, {Role.FIT: [first], Role.PROVE: [second]})
        data = store.frozen_data(frozen)
    assert frozen.origin == "simulated"
    stated = {(c.surface, c.wall) for c in data.conditions}
    assert {str(s) for surface, _ in stated for s in surface} == {"still", "foam"}
    assert {str(w) for _, wall in stated for w in wall} == {"clean", "film", "drops"}
    dropped = np.asarray([Wall.DROPS in c.wall for c in data.conditions])[data.condition]
    assert dropped.any()
    assert (data.level_mm[dropped] == 0).all()
    assert data.level_mm.max() > 0.8 * bench.strip.span_mm


@pytest.mark.longer
def test_further_units_come_onto_the_same_mounting() -> None:
    """As two, five and eight units of a changed tank do, one lot after the other."""
    bench = bench_a(1)
    first, second = unit_names(bench, 2)
    with Store.in_memory() as store:
        taken = fill(store, bench, [first])
        taken |= fill(store, bench, [second])
        assert len(store.mountings()) == 1
        frozen = freeze(store, "both", taken, {Role.FIT: [first], Role.PROVE: [second]})
    assert len(frozen.sessions) == 2 * len(bench.plan)


@pytest.mark.longer
@pytest.mark.parametrize("make", [bench_a, bench_b])
def test_units_can_have_every_kind_of_trim(make: type) -> None:
    """Models can then be made for each; a block shows about its share of the step from dry to full."""
    bench = make(3)
    (name,) = unit_names(bench, 1)
    with Store.in_memory() as store:
        taken = fill(store, bench, [name])
        add_other_trims(store, bench, taken)
        data = store.frozen_data(freeze(store, "set", taken, {Role.FIT: [name]}))
    assert usable_trims(data, data.rows(Role.FIT)) == ("none", "dry", "block", "partial", "full")
    found = {trim.kind: np.asarray(trim.counts, np.float64) for trim in data.frozen.trims}
    if bench.board.count_law is CountLaw.FALLS:
        found = {kind: 1 / counts for kind, counts in found.items()}
    swing = found[TrimKind.FULL] - found[TrimKind.DRY]
    assert (found[TrimKind.BLOCK] - found[TrimKind.DRY]) / swing == pytest.approx(BLOCK, abs=0.1)


@pytest.mark.slow
def test_the_scorer_prints_a_row_of_figures() -> None:
    done = subprocess.run(
        [sys.executable, str(ACCURACY), "--quick"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "nothing here is measured" in done.stdout
    assert done.stdout.count("| seed 1 array net") == 1
