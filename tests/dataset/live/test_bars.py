"""Bars between a unit's own trims, and which pads stand still."""

from __future__ import annotations

import numpy as np
import pytest

from building import bench_store, two_pads
from dataset.live.bars import SETTLED_FRAMES, Bars
from dataset.live.capture import Capture
from dataset.live.plans import plan_of_levels
from dataset.records import Mounting, Trim, TrimKind, Unit
from dataset.store import Store


@pytest.fixture
def mounting(new_store: Store) -> Mounting:
    """A sensor of two pads on a tank."""
    return bench_store(new_store, sensor=two_pads(), unit="unit").mounting


def trim(mounting: Mounting, kind: TrimKind, *counts: int, date: str = "2026-01-31") -> Trim:
    return Trim(Unit("unit"), mounting, kind, counts, date, "line")


def test_bars_go_from_the_dry_to_the_full_trim(mounting: Mounting) -> None:
    """The newest of each; counts that fall with the level go up all the same; beyond full is beyond 1."""
    trims = [
        trim(mounting, TrimKind.DRY, 0, 0),
        trim(mounting, TrimKind.DRY, 1000, 5000, date="2026-02-01"),
        trim(mounting, TrimKind.FULL, 2000, 3000),
        trim(mounting, TrimKind.BLOCK, 7, 7),
    ]
    bars = Bars(trims, mounting)
    bars.see((1500, 4500))
    assert bars.places((1500, 4500)) == (0.5, 0.25)
    assert bars.places((2200, 5200)) == pytest.approx((1.2, -0.1))


def test_without_a_full_trim_they_go_to_the_farthest_seen(mounting: Mounting) -> None:
    bars = Bars([trim(mounting, TrimKind.DRY, 1000, 5000)], mounting)
    bars.see_all(np.array([[1100.0, 5000.0], [1400.0, 4800.0]]))
    assert bars.places((1200, 4900)) == (0.5, 0.5)
    plain = Bars([], mounting)
    assert plain.places((1, 1)) == ()
    plain.see((1000, 1000))
    plain.see((1100, 1000))
    assert plain.places((1050, 1000)) == (0.5, 0.0)


def test_a_pad_that_moves_beyond_its_noise_is_not_settled(mounting: Mounting) -> None:
    """One pad climbs by a count a frame under noise of one count, the other only has the noise; a gap begins
    anew; of noise alone not one look in a hundred says moving.
    """
    rng = np.random.default_rng(3)
    bars = Bars([], mounting)
    for k in range(SETTLED_FRAMES):
        a, b = rng.normal(0, 1, 2)
        bars.see((round(1000 + k + a), round(1000 + b)))
    assert bars.settled() == (False, True)
    bars.restart()
    assert bars.settled() == ()
    looks = list[bool]()
    for _ in range(500):
        for a, b in rng.normal(1000, 3, (SETTLED_FRAMES, 2)):
            bars.see((round(a), round(b)))
        looks += bars.settled()
    assert np.mean(looks) > 0.99


def test_how_long_is_left_of_a_plan(new_store: Store) -> None:
    """Two holds of half a second at ten frames a second: 1 s at first; after three frames of the first
    one 0.2 s at this step and 0.7 s in all; a skipped step is not waited for.
    """
    bench = bench_store(new_store, sensor=two_pads(), unit="unit")
    steps = plan_of_levels((0.0, 10.0), bench.sensor, bench.tank, 0.5)
    capture = Capture.begin(new_store, "run", bench.unit, bench.liquid, bench.mounting, steps)
    for k in range(10):
        capture.feed(f"{100 * k},1,2\n".encode())
    assert (capture.view().step_s, capture.view().plan_s) == (None, 1.0)
    capture.enter("")
    for k in range(10, 13):
        capture.feed(f"{100 * k},1,2\n".encode())
    assert (capture.view().step_s, capture.view().plan_s) == (pytest.approx(0.2), pytest.approx(0.7))
    for k in range(13, 16):
        capture.feed(f"{100 * k},1,2\n".encode())
    capture.enter("skip")
    assert (capture.view().step_s, capture.view().plan_s) == (None, 0.0)
    assert capture.view().settled == (True, True)
