"""What disturbs a capture on the rig, each against the law that it is said to follow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from dataset.rig.disturbances import (
    drops_share,
    film_um,
    foam_course,
    hand_course,
    hand_share,
    interference_counts,
    jeffreys_um,
    meniscus_mm,
    sloshing_mm,
)
from dataset.rig.scenario import Scenario


def clock(n: int, period_s: float) -> NDArray[np.float64]:
    """Times of ``n`` frames, s."""
    return np.arange(n, dtype=np.float64) * period_s


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def line_of(signal: np.ndarray, period_s: float) -> tuple[float, float]:
    """Frequency and amplitude of the strongest line."""
    spectrum = np.fft.rfft(signal * np.hanning(len(signal)))
    at = int(np.argmax(np.abs(spectrum[1:]))) + 1
    return at / (len(signal) * period_s), float(4 * np.abs(spectrum[at]) / len(signal))


def test_a_film_by_jeffreys() -> None:
    """Water at 20 degrees (1.004e-6 m2/s), 50 mm below the edge, after 1, 10 and 100 s; worked by hand with g
    = 9.81 m/s2.
    """
    assert jeffreys_um(np.full(3, 50.0), np.asarray([1.0, 10.0, 100.0]), 1.004e-6) == pytest.approx(
        [71.5, 22.6, 7.15], rel=2e-3
    )
    assert jeffreys_um(np.asarray([-3.0]), np.asarray([1.0]), 1e-6)[0] == 0


def test_a_film_drains_as_a_thin_layer_does() -> None:
    """It obeys dh/dt + (g / nu) h^2 dh/dz = 0, a thin layer's balance of weight and viscous stress
    (lubrication theory, from memory).
    """
    z, t, nu = np.asarray([20.0, 50.0, 120.0]), np.asarray([2.0, 7.0, 30.0]), 1.3e-6

    def metres(z_mm: np.ndarray, t_s: np.ndarray) -> np.ndarray:
        return jeffreys_um(z_mm, t_s, nu) * 1e-6

    by_time = (metres(z, t + 1e-4) - metres(z, t - 1e-4)) / 2e-4
    by_height = (metres(z + 1e-3, t) - metres(z - 1e-3, t)) / 2e-6
    assert by_time == pytest.approx(-9.81 / nu * metres(z, t) ** 2 * by_height, rel=1e-5)


def test_a_pads_film_ages_from_its_uncovering(washer: Scenario) -> None:
    """Nothing on a covered pad, nothing above where the liquid stood, and from the uncovering on one over the
    root of the age.
    """
    t = clock(200, 0.1)
    level = np.linspace(100.0, 20.0, 200, dtype=np.float64)
    made = film_um(level, np.asarray([10.0, 60.0, 110.0]), t, 100.0, replace(washer.film, most_um=1e9), 1.0)
    assert (made[:, [0, 2]] == 0).all()
    bare = int(np.argmax(level < 60.0))
    assert (made[:bare, 1] == 0).all()
    age = t[bare:] - t[bare - 1]
    assert made[bare:, 1] * np.sqrt(age) == pytest.approx(
        np.full(200 - bare, jeffreys_um(np.asarray([40.0]), np.asarray([1.0]), 1e-6)[0])
    )
    capped = film_um(level, np.asarray([60.0]), t, 100.0, replace(washer.film, most_um=30.0), 1.0)
    assert capped.max() == 30.0
    half = film_um(level, np.asarray([60.0]), t, 100.0, washer.film, 0.5)
    assert half[-1, 0] == pytest.approx(made[-1, 1] / 2)


def test_foam_rises_collapses_and_drains(washer: Scenario) -> None:
    """By the definitions of the scenario's keys: up in 2 s, to 1/e in 30 s more, half as wet after 10 s and
    never below the least.
    """
    its = replace(
        washer.foam,
        thickness_mm=(20.0, 20.0),
        rise_s=(2.0, 2.0),
        collapse_s=(30.0, 30.0),
        wetness=(0.08, 0.08),
        drain_s=(10.0, 10.0),
    )
    t = np.asarray([0.0, 1.0, 2.0, 10.0, 32.0, 1e4])
    thickness, wetness = foam_course(t, its, rng())
    assert thickness[[0, 1, 2, 4]] == pytest.approx([0.0, 10.0, 20.0, 20.0 / np.e])
    assert wetness[[0, 3]] == pytest.approx([0.08, 0.04])
    assert wetness[-1] == its.least_wetness


def test_foam_is_as_thick_and_wet_as_stated(washer: Scenario) -> None:
    """The mean of even draws is the middle of their range, their standard deviation its width
    over root 12.
    """
    t = np.arange(0.0, 10.0, 0.05)
    made = [foam_course(t, replace(washer.foam, collapse_s=(1e6, 1e6)), rng(k)) for k in range(1500)]
    for values, (least, most) in (
        ([m[0].max() for m in made], washer.foam.thickness_mm),
        ([m[1][0] for m in made], washer.foam.wetness),
    ):
        assert np.mean(values) == pytest.approx((least + most) / 2, rel=0.05)
        assert np.std(values) == pytest.approx((most - least) / np.sqrt(12), rel=0.06)
        assert min(values) >= least * 0.98  # the top may lie between two frames


def test_sloshing_has_its_frequency_and_size(washer: Scenario) -> None:
    its, t = washer.liquid_motion, clock(2000, 0.1)
    at_hz, amplitude = line_of(sloshing_mm(t, np.zeros(2000, bool), its, rng(), lasting=True), 0.1)
    assert at_hz == pytest.approx(its.slosh_hz, abs=0.005)
    assert amplitude == pytest.approx(its.slosh_mm, rel=0.02)


def test_the_washers_sloshing_is_the_first_mode_of_its_tank(washer: Scenario) -> None:
    """Linear wave theory (Lamb, Hydrodynamics, from memory): 100 mm long, 80 mm deep."""
    k = np.pi / 0.1
    assert washer.liquid_motion.slosh_hz == pytest.approx(
        np.sqrt(9.81 * k * np.tanh(k * 0.08)) / (2 * np.pi), rel=0.02
    )


def test_sloshing_dies_away_after_a_movement(washer: Scenario) -> None:
    """A whole number of swings later, one time constant on, it is 1/e of what it was; before any movement
    there is none.
    """
    its, t = (
        replace(washer.liquid_motion, slosh_hz=1.25, slosh_decay_s=4.0, slosh_mm=2.0),
        clock(300, 0.1),
    )
    moved = (t >= 5) & (t < 6)
    made = sloshing_mm(t, moved, its, rng(), lasting=False)
    assert np.abs(made[t < 4.9]).max() < 1e-6
    assert made[140:200] == pytest.approx(made[100:160] / np.e)
    assert 0.5 < np.abs(made).max() <= 0.6  # three tenths: it was moved gently


def test_the_meniscus_lags_behind_the_surface(washer: Scenario) -> None:
    """An advancing contact angle is wider than a receding one (de Gennes, Brochard-Wyart, Quere, from
    memory): low while rising, high while falling.
    """
    its = replace(washer.liquid_motion, meniscus_mm=0.4)
    level = np.concatenate(
        [np.linspace(0, 20, 50), np.full(10, 20.0), np.linspace(20, 0, 50), np.full(10, 0.0)]
    )
    made = meniscus_mm(level, its)
    assert made[30:60] == pytest.approx(np.full(30, -0.4))
    assert made[80:] == pytest.approx(np.full(40, 0.4))
    small = meniscus_mm(
        np.asarray([0.0, 5.0, 4.9, 4.8, 4.9, 5.0]), its
    )  # pinned: the line stays where it is while the surface goes to and fro
    assert small[1:] + np.asarray([5.0, 4.9, 4.8, 4.9, 5.0]) == pytest.approx(np.full(5, 4.6))


@pytest.mark.parametrize(
    ("mains_hz", "period_s", "seen_hz"),
    [(50.0, 0.035, 50 / 7), (60.0, 0.1, 0.0), (49.97, 0.1, 0.03), (50.0, 0.007, 50.0)],
)
def test_mains_shows_at_its_alias(washer: Scenario, mains_hz: float, period_s: float, seen_hz: float) -> None:
    """The distance to the nearest multiple of the sampling rate (sampling theorem); at a multiple it is the
    same in every frame.
    """
    its = replace(washer.interference, mains_hz=mains_hz, jitter_ms=0.0, switching_counts=0.0)
    made = interference_counts(clock(4000, period_s), 3, its, rng())
    assert (made == made[:, :1]).all()
    if seen_hz == 0:
        assert np.ptp(made) < 1e-6
        return
    at_hz, amplitude = line_of(made[:, 0], period_s)
    assert at_hz == pytest.approx(seen_hz, abs=1 / (4000 * period_s))
    assert amplitude == pytest.approx(
        its.mains_counts, rel=0.16
    )  # a line between two bins of a Hann window loses up to 15 %


def test_jitter_smears_mains(washer: Scenario) -> None:
    """The line falls by the characteristic function of a normal distribution, exp(-(2 pi f s)^2 / 2)."""
    its, t = replace(washer.interference, mains_hz=50.0, switching_counts=0.0), clock(20000, 0.035)
    sharp, smeared = (
        line_of(interference_counts(t, 1, replace(its, jitter_ms=ms), rng())[:, 0], 0.035)[1]
        for ms in (0.0, 3.0)
    )
    assert smeared / sharp == pytest.approx(np.exp(-((2 * np.pi * 50 * 0.003) ** 2) / 2), rel=0.05)


def test_switching_comes_in_its_share_of_frames(washer: Scenario) -> None:
    its = replace(washer.interference, mains_counts=0.0, switching_share=0.1)
    made = interference_counts(clock(20000, 0.1), 2, its, rng())[:, 0]
    assert np.mean(made != 0) == pytest.approx(0.1, abs=0.01)
    assert made[made != 0].std() == pytest.approx(its.switching_counts, rel=0.08)


def test_drops_lie_on_some_pads(washer: Scenario) -> None:
    its = replace(washer.film, drops=(2.0, 4.0), drop_share=(0.1, 0.1))
    sums = [round(float(drops_share(40, its, rng(k)).sum()), 6) for k in range(200)]
    assert set(sums) == {0.2, 0.3, 0.4}
    crowded = drops_share(1, replace(its, drops=(50.0, 50.0)), rng())
    assert crowded[0] == 0.6


def test_a_hand_comes_and_goes(washer: Scenario) -> None:
    """Between a third and two thirds of the time, as a bell over the pads whose width is stated."""
    its = replace(washer.hand, share=(0.4, 0.4), width_pads=(2.0, 2.0))
    made = hand_share(120, 200, its, rng())
    assert ((made.max(axis=1) > 0) == (hand_course(120) > 0)).all()
    assert (made[[0, 37, 82, 119]] == 0).all()
    assert (made[45:75] == made[60]).all()
    logs = np.log(made[60][made[60] > 1e-6])
    assert np.diff(logs, 2) == pytest.approx(np.full(len(logs) - 2, -2 / 2.0**2), rel=1e-6)
    assert 0.4 * np.exp(-(0.5**2) / 4) <= made[60].max() <= 0.4
