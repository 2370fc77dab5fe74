"""Levels from masses and volumes, with their uncertainty, against the GUM and worked figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.labels.marking import Labelling, Method, Runs, buoyancy, level_of, marks_of_runs
from dataset.labels.uncertainty import Quantity, propagate, rectangular
from dataset.records import Liquid, Mark, Tank
from dataset.tanks.lying import LyingCylinder
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Cylinder

WATER = Liquid("water", model="water")
CAN = Tank("can", 1, 150.0, profile=to_json(stack([Cylinder(diameter_mm=100.0, height_mm=160.0)])))


def test_buoyancy_of_water_at_20_c() -> None:
    """The factor for water at 20 C, air 1.2 and weights 8000 kg/m3 is 1.0010534.

    Source: computed from the formula of ISO 4787 with the density 998.2072 of IAPWS-95 at 20 C (NIST
        Chemistry WebBook).
    """
    assert buoyancy(998.2072) == pytest.approx(1.0010534, abs=5e-8)
    assert buoyancy(8000.0) == 1.0


def test_level_by_weighing_worked() -> None:
    """800 g of water in a can of 100 mm: 102.1496 mm, with 0.037, 0.236 and 0.006 mm from scale, diameter and
    temperature, 0.239 mm together.

    Source: the formulas of JCGM 100:2008 (eq. 10, 4.3.7) worked by hand: h = m B / (rho A); balance +-0.5 g,
        diameter +-0.2 mm,
    temperature +-0.5 K, all rectangular; the diameter counts twice.
    """
    labelling = Labelling(
        WATER, scale_half_width_g=0.5, dimension_half_width_mm=0.2, temperature_half_width_k=0.5
    )
    bare = level_of("x", Method.MASS, 800.0, 20.0, CAN, Labelling(WATER, air_density=0.0))
    assert bare.value == pytest.approx(800.0 / 998.2072 * 1e6 / (math.pi / 4 * 1e4), rel=1e-6)
    found = level_of("x", Method.MASS, 800.0, 20.0, CAN, labelling)
    assert bare.value / found.value - 1 == pytest.approx(-0.00105, abs=5e-6)
    by_hand = 0.8 * 1.0010534 / (998.2072 * math.pi / 4 * 0.1**2) * 1000
    assert found.value == pytest.approx(by_hand, abs=1e-4)
    assert by_hand == pytest.approx(102.1496, abs=1e-4)
    assert (
        round(found.parts["amount"], 3),
        round(found.parts["wider"], 3),
        round(found.parts["temperature"], 3),
    ) == (0.037, 0.236, 0.006)
    assert found.combined == pytest.approx(0.239, abs=5e-4)


def test_propagation_of_a_product() -> None:
    """For P = V^2/R the relative uncertainties add as (2 u_V/V)^2 + (u_R/R)^2.

    Source: JCGM 100:2008, 5.1.6 (relative uncertainties of a product of powers).
    """
    found = propagate(
        lambda volts, ohms: volts**2 / ohms,
        {"volts": Quantity(10.0, 0.01), "ohms": Quantity(50.0, 0.1, common=True)},
    )
    assert found.value == 2.0
    assert found.combined / 2.0 == pytest.approx(math.hypot(2 * 0.01 / 10, 0.1 / 50), rel=1e-5)
    assert found.u_common / 2.0 == pytest.approx(0.1 / 50, rel=1e-5)
    assert rectangular(3.0) == pytest.approx(1.7320508, abs=1e-7)


def test_a_lying_drum_near_empty_and_in_the_middle() -> None:
    """In a drum on its side u_h = u_V / (dV/dh): at mid height 2 R L wide, and larger by far near empty.

    Source: dV/dh = 2 L sqrt(2 R h - h^2) (closed form of the circular segment).
    """
    drum = Tank("drum", 1, 200.0, profile=to_json(stack([LyingCylinder(diameter_mm=200.0, length_mm=300.0)])))
    labelling = Labelling(WATER, poured_half_width_ml=10.0 * math.sqrt(3))
    middle = level_of("x", Method.POURED, math.pi * 100**2 * 300 / 2 / 1000, None, drum, labelling)
    assert middle.value == pytest.approx(100.0, abs=1e-6)
    assert middle.u == pytest.approx(10_000 / (2 * 300 * 100), rel=1e-4)
    low = level_of("x", Method.POURED, 100.0, None, drum, labelling)
    assert low.u == pytest.approx(10_000 / (2 * 300 * math.sqrt(200 * low.value - low.value**2)), rel=1e-3)
    assert low.u > 2 * middle.u
    assert level_of("x", Method.POURED, 0.0, None, drum, labelling).u > low.u


def test_the_dead_volume_fills_first() -> None:
    """What lies below the datum is not level: a litre poured into a can with 215 mL of sump stands at 785
    mL's height.
    """
    sump = Tank("sump", 1, 150.0, dead_volume_ml=215.0, profile=CAN.profile)
    found = level_of("x", Method.POURED, 1000.0, None, sump, Labelling(WATER))
    assert found.value == pytest.approx(785_000 / (math.pi * 2500), rel=1e-9)
    with pytest.raises(
        InputError, match=r"r.csv, line 3: 100 mL, which is -115 mL above the datum; expected 0 to 1257 mL"
    ):
        level_of("r.csv, line 3", Method.POURED, 100.0, None, sump, Labelling(WATER))


def test_a_full_tank_is_as_uncertain_as_one_just_below() -> None:
    """U_h = u_V / A up to the brim (GUM 5.1.3 note 2, worked by hand: half the change between a standard
    uncertainty more and less), though there is no more room for the one above: the tank is thought to go on.
    """
    profile = stack([Cylinder(diameter_mm=100.0, height_mm=160.0)])
    full = Tank("can", 1, 160.0, profile=to_json(profile))
    labelling = Labelling(WATER, poured_half_width_ml=10.0 * math.sqrt(3))
    found = level_of("x", Method.POURED, profile.total_ml, None, full, labelling)
    assert found.value == pytest.approx(160.0, abs=1e-9)
    assert found.u == pytest.approx(10_000 / (math.pi * 2500), rel=1e-6)


@pytest.mark.parametrize(
    ("reading", "labelling", "tank", "sentence"),
    [
        (
            1190.0,
            Labelling(WATER, temperature_c=20.0),
            CAN,
            r"a level of 151.9 mm; expected 0 to 150 mm, the span of tank can@1",
        ),
        (
            50.0,
            Labelling(WATER, tare_g=60.0, temperature_c=20.0),
            CAN,
            r"50 g, which is -10.03 mL above the datum",
        ),
        (50.0, Labelling(Liquid("soap"), temperature_c=20.0), CAN, r"liquid soap, density: isn't known"),
        (
            50.0,
            Labelling(Liquid("soap", density=1010.0), temperature_half_width_k=1.0),
            CAN,
            r"no temperature of the liquid; .*Labelling\.temperature_c",
        ),
        (50.0, Labelling(WATER, temperature_c=20.0), Tank("bare", 1, 100.0), r"tank bare@1: has no profile"),
    ],
)
def test_masses_that_give_no_level(reading: float, labelling: Labelling, tank: Tank, sentence: str) -> None:
    """What is missing or cannot be is named."""
    with pytest.raises(InputError, match=sentence):
        level_of("r.csv, line 2", Method.MASS, reading, None, tank, labelling)


def test_a_mark_for_every_run() -> None:
    """Runs of one mass are a mark each, at the run's mean temperature; the tank's part of the uncertainty
    stands apart.
    """
    masses = np.array([np.nan, 400.0, 400.0, 400.0, np.nan, 400.0, 800.0, 800.0])
    warm = np.array([20.0, 10.0, 30.0, np.nan, 20.0, 20.0, np.nan, np.nan])
    labelling = Labelling(WATER, scale_half_width_g=0.5, dimension_half_width_mm=0.2, temperature_c=20.0)
    runs = Runs().add(masses).all()
    marks = marks_of_runs(
        "line {}".format, Method.MASS, runs, lambda start, stop: warm[start:stop], CAN, labelling
    )
    assert [(m.start, m.stop, m.method) for m in marks] == [(1, 4, "mass"), (5, 6, "mass"), (6, 8, "mass")]
    assert [m.level_mm for m in marks] == pytest.approx([51.0748, 51.0748, 102.1496], abs=1e-4)
    assert [m.u_mm for m in marks] == pytest.approx([0.0368] * 3, abs=1e-4)
    assert [m.u_common_mm for m in marks] == pytest.approx([0.118, 0.118, 0.236], abs=5e-4)
    one = [(0, 1, 400.0)]
    bare = marks_of_runs(str, Method.MASS, one, None, CAN, Labelling(WATER, temperature_c=20.0))
    assert bare == (Mark(0, 1, marks[0].level_mm, None, None, None, "mass"),)
    assert Runs().add(np.array([0.0, np.nan, 0.0])).all() == [(0, 1, 0.0), (2, 3, 0.0)]


@pytest.mark.parametrize("cut", range(9))
def test_runs_go_on_from_part_to_part(cut: int) -> None:
    """Wherever readings are cut, their runs are the same."""
    readings = np.array([np.nan, 1.0, 1.0, 0.0, np.nan, np.nan, 0.0, 2.0])
    expected = [(1, 3, 1.0), (3, 4, 0.0), (6, 7, 0.0), (7, 8, 2.0)]
    assert Runs().add(readings[:cut]).add(readings[cut:]).all() == expected
