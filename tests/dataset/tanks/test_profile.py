"""Volumes and levels of tank profiles, against closed forms, published worked volumes and the package
`fluids`.
"""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from fluids.geometry import TANK
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from dataset.errors import InputError
from dataset.records import Tank
from dataset.tanks.lying import LyingCylinder
from dataset.tanks.profile import Profile, from_json, level_at_pad_mm, profile_of, stack, to_json
from dataset.tanks.shapes import Box, Cone, Cylinder, Dish, Section, Taper, Torisphere, TorisphericalDish
from dataset.tanks.strapping import Slices, Strapping

IN, GAL = 25.4, 3785.411784  # mm in an inch, mL in a US gallon

WEDGE = Slices((0.0, 30.0, 50.0), ((0.0, 900.0, 1200.0), (1500.0, 1500.0, 1500.0)))
SHAPES: dict[str, Profile] = {
    "box": stack([Box(120, 80, 100)]),
    "cylinder": stack([Cylinder(90, 150)]),
    "frustum": stack([Cone(60, 100, 150)]),
    "tip": stack([Cone(0, 200, 50), Cylinder(200, 100)]),
    "taper": stack([Taper(100, 60, 120, 75, 140)]),
    "canister": stack(
        [Dish("ellipsoidal", 100, 25, "bottom"), Cylinder(100, 80), TorisphericalDish(100, 1.0, 0.06, "top")]
    ),
    "bowl": stack(
        [TorisphericalDish(100, 0.8, 0.1, "bottom"), Cylinder(100, 80), Dish("spherical", 100, 20, "top")]
    ),
    "raised": stack([Cone(20, 100, 60), Cylinder(100, 80)], datum_mm=10),
    "drum": stack([LyingCylinder(200, 300)]),
    "ellipsoidal": stack([LyingCylinder(200, 300, "ellipsoidal", 50)]),
    "spherical": stack([LyingCylinder(200, 300, "spherical", 50)]),
    "conical": stack([LyingCylinder(200, 300, "conical", 50)]),
    "torispherical": stack([LyingCylinder(200, 300, "torispherical", f=1.0, k=0.06)]),
    "strapping": stack([Strapping((0, 10, 25, 100), (5, 50, 200, 900))]),
    "slices": stack([WEDGE]),
    "warm": stack([Cone(60, 100, 150)]).warmed(40, 1e-4),
}


@pytest.fixture(params=SHAPES, scope="module")
def profile(request: pytest.FixtureRequest) -> Profile:
    """Each of the shapes."""
    return SHAPES[request.param]


def test_volume_after_level(profile: Profile) -> None:
    """The volume at the level of a volume is that volume to 1e-9, from a billionth of the tank up to full."""
    volumes = profile.total_ml * np.concatenate([np.logspace(-9, 0, 60), 1 - np.logspace(-9, -1, 20)])
    levels = profile.level_mm(volumes)
    np.testing.assert_allclose(profile.volume_ml(levels), volumes, rtol=1e-9)
    np.testing.assert_allclose(
        profile.level_mm(np.array([0.0, profile.total_ml])), [0.0, profile.height_mm], rtol=1e-15
    )


def test_level_after_volume(profile: Profile) -> None:
    """The level of the volume at a level is that level to 1e-9, from a thousandth of the height up to near
    the top.
    """
    levels = profile.height_mm * np.concatenate([np.logspace(-3, -0.001, 60), 1 - np.logspace(-4, -1, 20)])
    np.testing.assert_allclose(profile.level_mm(profile.volume_ml(levels)), levels, rtol=1e-9)


def test_more_liquid_stands_higher(profile: Profile) -> None:
    """Volume rises strictly with level, also from one step of 1e-5 of the height to the next."""
    for start in (0.0, 0.1, 0.5, 0.9):
        levels = profile.height_mm * (start + np.arange(1, 400) * 1e-5)
        assert np.all(np.diff(profile.volume_ml(levels)) > 0)


def test_area_is_the_slope_of_the_volume(profile: Profile) -> None:
    """Between the borders of sections the area is dV/dh, as central differences give it."""
    levels, step = (
        profile.height_mm * np.array([0.0531, 0.187, 0.457, 0.643, 0.911]),
        profile.height_mm * 1e-5,
    )
    slopes = (profile.volume_ml(levels + step) - profile.volume_ml(levels - step)) * 1000 / (2 * step)
    np.testing.assert_allclose(profile.area_mm2(levels), slopes, rtol=1e-6)


def test_json_and_back(profile: Profile) -> None:
    """A profile survives its JSON, which doesn't hold the temperature it was last looked at with."""
    back = from_json(to_json(profile))
    assert back == replace(profile, scale=1.0)
    assert to_json(back) == to_json(profile)


@pytest.mark.parametrize("share", [-0.01, 1.01, float("nan"), float("inf")])
def test_outside_is_refused(profile: Profile, share: float) -> None:
    """Levels and volumes outside the profile are refused, in a number and in an array."""
    with pytest.raises(InputError, match=r"level: .*expected within the tank's profile, 0 to"):
        profile.volume_ml(profile.height_mm * share)
    with pytest.raises(InputError, match="level"):
        profile.area_mm2(np.array([1.0, profile.height_mm * share]))
    with pytest.raises(InputError, match=r"volume: .*expected within the tank's profile, 0 to"):
        profile.level_mm(np.array([1.0, profile.total_ml * share]))


def test_numbers_and_arrays() -> None:
    """A number gives a number, an array one of its shape."""
    box = SHAPES["box"]
    assert isinstance(box.volume_ml(50.0), float)
    assert box.volume_ml(50) == 480.0 == box.volume_ml(np.array([[50.0, 0.0]]))[0, 0]
    assert box.level_mm(np.zeros((0,))).shape == (0,)
    assert box.area_mm2(np.ones((2, 3))).shape == (2, 3)


# Fractions of a lying cylinder with flat ends: R2 acos((R-h)/R) - (R-h) sqrt(2Rh - h2) over pi R2, evaluated
# in many digits; Perry's Chemical Engineers' Handbook prints the first four digits (from memory).
FRACTIONS = {
    0.05: 0.018693,
    0.1: 0.052044,
    0.2: 0.142378,
    0.25: 0.195501,
    0.3: 0.252316,
    0.4: 0.373530,
    0.5: 0.5,
    0.6: 0.626470,
    0.75: 0.804499,
    0.9: 0.947956,
}


@pytest.mark.parametrize(("share", "fraction"), FRACTIONS.items())
def test_table_of_lying_cylinders(share: float, fraction: float) -> None:
    """The share of a lying cylinder that is filled at a share of its diameter is the tabled one."""
    drum = SHAPES["drum"]
    assert drum.volume_ml(200 * share) / drum.total_ml == pytest.approx(fraction, abs=5e-7)
    assert drum.total_ml == pytest.approx(9424.778, abs=5e-4)


@pytest.mark.parametrize(
    ("end", "gallons"),
    [
        ({"end": "conical", "depth_mm": 42 * IN}, 2041.19),
        ({"end": "ellipsoidal", "depth_mm": 42 * IN}, 2380.96),
        ({"end": "spherical", "depth_mm": 42 * IN}, 2303.96),
        ({"end": "torispherical", "f": 1.0, "k": 0.06}, 2028.63),
    ],
    ids=lambda v: str(v)[:22],
)
def test_published_lying_vessels(end: dict[str, float], gallons: float) -> None:
    """D. Jones, "Calculating tank volume" (as the docstrings of `fluids` quote it): D 108 in, L 156 in,
    filled to 36 in.
    """
    vessel = stack([LyingCylinder(108 * IN, 156 * IN, **end)])  # type: ignore[arg-type]  # parameters of a test
    assert vessel.volume_ml(36 * IN) / GAL == pytest.approx(gallons, abs=0.005)


@pytest.mark.parametrize(
    ("bottom", "gallons"),
    [
        (Cone(0, 132 * IN, 33 * IN), 250.67),
        (Dish("ellipsoidal", 132 * IN, 40 * IN, "bottom"), 682.46),
        (Dish("spherical", 132 * IN, 44 * IN, "bottom"), 497.43),
        (TorisphericalDish(132 * IN, 1.0, 0.06, "bottom"), 904.07),
    ],
    ids=lambda v: getattr(v, "kind", ""),
)
def test_published_upright_vessels(bottom: Section, gallons: float) -> None:
    """The same source's upright vessels: D 132 in, filled to 24 in, which is inside the bottom."""
    assert stack([bottom, Cylinder(132 * IN, 100 * IN)]).volume_ml(24 * IN) / GAL == pytest.approx(
        gallons, abs=0.005
    )


ENDS = {"": "flat", "ellipsoidal": "ellipsoidal", "spherical": "spherical", "conical": "conical"}


def _fluids(form: str, horizontal: bool, depth: float = 0.05) -> TANK:
    ends: dict[str, Any] = {"sideA": form or None, "sideB": form or None}
    if form == "torispherical":
        ends |= {"sideA_f": 1.0, "sideA_k": 0.06, "sideB_f": 1.0, "sideB_k": 0.06}
    elif form:
        ends |= {"sideA_a": depth, "sideB_a": depth}
    return TANK(D=0.2, L=0.3, horizontal=horizontal, **ends)


@pytest.mark.parametrize("form", ENDS)
def test_lying_vessels_against_fluids(form: str) -> None:
    """`fluids` 1.3 and this agree to 1e-11 on lying vessels whose volume it has in closed form, near empty
    and near full too.
    """
    other, mine = _fluids(form, True), stack([LyingCylinder(200, 300, ENDS[form], 50 if form else 0)])
    levels = np.array([0.2, 1, 5, 20, 50, 99, 100, 101, 150, 195, 199.8, 200])
    np.testing.assert_allclose(
        mine.volume_ml(levels), [other.V_from_h(h / 1000) * 1e6 for h in levels], rtol=1e-11
    )


@pytest.mark.parametrize("form", ["ellipsoidal", "spherical", "torispherical", "conical"])
def test_upright_vessels_against_fluids(form: str) -> None:
    """`fluids` 1.3 and this agree to 1e-12 on upright vessels closed above and below."""
    ends: list[Section] = [Cone(0, 200, 50), Cone(200, 0, 50)]
    if form == "torispherical":
        ends = [TorisphericalDish(200, 1.0, 0.06, side) for side in ("bottom", "top")]
    elif form != "conical":
        ends = [Dish(form, 200, 50, side) for side in ("bottom", "top")]
    mine = stack([ends[0], Cylinder(200, 300), ends[1]])
    other = _fluids(form, False)
    levels = mine.height_mm * np.array(
        [0.001, 0.01, 0.03, 0.05, 0.08, 0.1, 0.12, 0.13, 0.3, 0.9, 0.95, 0.99, 1]
    )
    np.testing.assert_allclose(
        mine.volume_ml(levels), [other.V_from_h(h / 1000) * 1e6 for h in levels], rtol=1e-12
    )
    assert mine.total_ml == pytest.approx(other.V_total * 1e6, rel=1e-12)


def test_levels_against_fluids() -> None:
    """Levels of volumes in a drum are those that the exact root finder of `fluids` gives (its spline is an
    interpolation).
    """
    other, mine = _fluids("", True), SHAPES["drum"]
    levels = [0.2, 2, 10, 50, 120, 199]
    volumes = np.array([other.V_from_h(h / 1000) * 1e6 for h in levels])
    exact = [other.h_from_V(v / 1e6, method="brenth") * 1000 for v in volumes]
    np.testing.assert_allclose(mine.level_mm(volumes), exact, rtol=1e-10)


@pytest.mark.parametrize("level", [0.5, 5, 11, 30, 100, 195])
def test_torispherical_ends_by_another_way(level: float) -> None:
    """The volume of a lying vessel is also the integral of circle segments along its axis.

    QUADPACK does this one; `fluids` itself is off by up to 1.4e-7 where the level passes the seam of the
    ends.
    """
    its, straight = Torisphere(200, 1.0, 0.06), 300.0

    def segment(x: float) -> float:
        r = (
            its.ring + np.sqrt(its.knuckle**2 - x * x)
            if x < its.seam[1]
            else np.sqrt(its.dish**2 - (x + its.back) ** 2)
        )
        y = np.clip((level - 100) / r, -1, 1)
        return float(r * r * (np.pi - np.arccos(y) + y * np.sqrt(1 - y * y)))

    off = abs(level - 100)
    dry = (
        [float(np.sqrt(its.dish**2 - off**2) - its.back)]
        if off < its.seam[0]
        else [float(np.sqrt(max(its.knuckle**2 - (off - its.ring) ** 2, 0)))]
    )
    borders = sorted({0.0, its.seam[1], *dry, its.depth})
    ends = sum(quad(segment, a, b, epsabs=1e-9, epsrel=1e-13, limit=300)[0] for a, b in pairwise(borders))
    assert SHAPES["torispherical"].volume_ml(level) == pytest.approx(
        (straight * segment(0.0) + 2 * ends) / 1000, rel=1e-11
    )


def test_closed_forms() -> None:
    """Boxes, cones, frustums, prismatoids and caps: the school formulas."""
    assert SHAPES["box"].volume_ml(40) == 384.0
    assert stack([Cylinder(100, 50)]).volume_ml(10) == pytest.approx(np.pi * 2500 / 100, rel=1e-15)
    assert stack([Cone(60, 100, 150)]).total_ml == pytest.approx(
        np.pi * 0.15 / 12 * (60**2 + 60 * 100 + 100**2), rel=1e-14
    )
    assert stack([Cone(0, 60, 30)]).volume_ml(15) == pytest.approx(np.pi * 15**3 / 3000, rel=1e-14)
    assert stack([Taper(100, 60, 120, 75, 140)]).total_ml == pytest.approx(
        0.14 / 6 * (6000 + 9000 + 4 * 110 * 67.5), rel=1e-14
    )  # prismatoid
    assert stack([Dish("spherical", 100, 50, "bottom")]).volume_ml(20) == pytest.approx(
        np.pi * 400 * (150 - 20) / 3000, rel=1e-14
    )


def test_areas_at_borders() -> None:
    """Where two sections meet the area is the upper one's; at the datum the floor's, at the very top the
    lid's.
    """
    steps = stack([Box(10, 10, 50), Box(20, 10, 50)])
    np.testing.assert_array_equal(steps.area_mm2(np.array([0.0, 49.0, 50.0, 100.0])), [100, 100, 200, 200])
    assert stack([Cone(60, 0, 100)]).area_mm2(100.0) == pytest.approx(0, abs=1e-9)


def test_strapping_is_linear_in_between() -> None:
    """Between its heights the volume of a strapping table is linear; what it has at 0 is the dead volume."""
    tank = stack([Strapping((0, 10, 25, 100), (5, 50, 200, 900))])
    np.testing.assert_allclose(
        tank.volume_ml(np.array([0, 5, 10, 17.5, 25, 100])), [0, 22.5, 45, 120, 195, 895], rtol=1e-14
    )
    assert tank.dead_volume_ml == 5
    assert (tank.area_mm2(5.0), tank.area_mm2(10.0), tank.area_mm2(100.0)) == pytest.approx(
        (4500, 10000, 700000 / 75)
    )


def test_the_datum_may_lie_higher() -> None:
    """With a datum above the lowest point levels and volumes count from it, and the dead volume
    lies below.
    """
    whole, raised = stack([Cone(20, 100, 60), Cylinder(100, 80)]), SHAPES["raised"]
    assert raised.height_mm == 130
    assert raised.dead_volume_ml == pytest.approx(whole.volume_ml(10), rel=1e-14)
    assert raised.volume_ml(50) == pytest.approx(whole.volume_ml(60) - whole.volume_ml(10), rel=1e-14)
    assert raised.level_mm(raised.volume_ml(33.0)) == pytest.approx(33.0, rel=1e-12)


def test_a_warm_vessel_is_larger() -> None:
    """GUM-style worked figure: a linear coefficient of 1e-4 per K and 40 K make the area 0.8 % larger
    (polypropylene, from memory).
    """
    cold = SHAPES["cylinder"]
    warm = cold.warmed(40, 1e-4)
    assert warm.area_mm2(50.0) / cold.area_mm2(50.0) == pytest.approx(1.004**2)
    assert warm.total_ml / cold.total_ml == pytest.approx(1.004**3)
    assert warm.volume_ml(50.0) / cold.volume_ml(50.0) == pytest.approx(
        1.004**2
    )  # the same depth of liquid on a larger floor
    assert cold.warmed(0, 1e-4) == cold


def test_profile_of_a_tank() -> None:
    """A tank's profile at a temperature is that of the warmed vessel; without a coefficient it's rigid,
    without a profile an error.
    """
    text = to_json(SHAPES["cylinder"])
    tank = Tank("can", 1, 100.0, profile=text, expansion_per_k=1e-4, reference_c=20.0)
    assert (
        profile_of(tank)
        == SHAPES["cylinder"]
        == profile_of(replace(tank, expansion_per_k=None, reference_c=None), 60.0)
    )
    assert profile_of(tank, 60.0).scale == pytest.approx(1.004)
    with pytest.raises(InputError, match=r"tank can@1: has no profile.*Store.add_tank\('can'"):
        profile_of(replace(tank, profile=None))


@pytest.mark.parametrize(
    ("degrees", "shift"), [(1, 1.746), (2, 3.492), (5, 8.749), (10, 17.633), (-5, -8.749)]
)
def test_tilt(degrees: float, shift: float) -> None:
    """A pad 100 mm from the tilt axis sees the level shifted by 100 tan(angle)."""
    assert level_at_pad_mm(SHAPES["box"], 50.0, degrees, 100.0) == pytest.approx(50 + shift, abs=5e-4)
    assert level_at_pad_mm(SHAPES["box"], 50.0, degrees, 0.0) == 50.0


def test_tilt_refused() -> None:
    """No tilt for shapes that aren't upright prisms, nor where the surface would reach floor or lid."""
    with pytest.raises(InputError, match="an upright prism"):
        level_at_pad_mm(SHAPES["frustum"], 50.0, 5, 100)
    with pytest.raises(InputError, match="an upright prism"):
        level_at_pad_mm(stack([Box(10, 10, 50), Box(20, 10, 50)]), 50.0, 5, 100)
    for level in (8.0, 92.0):
        with pytest.raises(InputError, match="surface reaches"):
            level_at_pad_mm(SHAPES["box"], level, 5, 100)
    with pytest.raises(InputError, match="90 degrees; expected less than 90"):
        level_at_pad_mm(SHAPES["box"], 50.0, 90, 1)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: Box(0, 1, 1), "box, width: 0"),
        (lambda: Cylinder(1, float("nan")), "cylinder, height: nan"),
        (lambda: Cone(0, 0, 1), "wider diameter|wider_diameter"),
        (lambda: Cone(-1, 2, 1), "cone, diameter: -1"),
        (lambda: Dish("spherical", 100, 51, "bottom"), "at most half the diameter, 50 mm"),
        (lambda: Dish("flat", 100, 51, "bottom"), "end: flat"),
        (lambda: Dish("ellipsoidal", 100, 51, "left"), "left"),
        (lambda: TorisphericalDish(100, 0.5, 0.06, "top"), "dish F 0.5"),
        (lambda: LyingCylinder(100, 100, "spherical", 51), "depth of the spherical ends: 51"),
        (lambda: LyingCylinder(100, 100, "round"), "one of flat, ellipsoidal"),
        (lambda: Strapping((0, 10), (1,)), "2 rows"),
        (lambda: Strapping((1, 10), (1, 2)), "heights from 1 to 10 mm; expected heights from 0"),
        (lambda: Strapping((0, 10, 10), (1, 2, 3)), "10 mm after 10 mm; expected heights that rise"),
        (lambda: Strapping((0, 10, 20), (1, 2, 2)), "2 mL after 2 mL, at 20 mm"),
        (lambda: Slices((0.0, 1.0), ((0.0, 0.0, 0.0),)), "out of order or empty"),
        (lambda: Profile(()), "0 sections"),
        (lambda: stack([Box(1, 1, 1), LyingCylinder(1, 1)]), "a section of kind lying-cylinder in a stack"),
        (lambda: stack([Box(1, 1, 1)], datum_mm=1), "datum: 1"),
        (lambda: from_json('{"sections": [{"kind": "pot"}], "datum_mm": 0}'), "text that holds none"),
        (
            lambda: from_json(
                json.dumps(
                    {
                        "sections": [{"kind": "box", "width_mm": "1", "depth_mm": 1, "height_mm": 1}],
                        "datum_mm": 0,
                    }
                )
            ),
            "text that holds none",
        ),
        (lambda: SHAPES["box"].warmed(1e4, 1e-4), "a factor of 2"),
    ],
)
def test_refusals(make: object, sentence: str) -> None:
    """Shapes that can't be are refused, with what was found."""
    with pytest.raises(InputError, match=sentence):
        make()  # type: ignore[operator]  # parameters of a test


sizes = st.floats(1.0, 500.0)
forms = st.sampled_from(["flat", "ellipsoidal", "spherical", "conical"])


@settings(max_examples=60, deadline=None)
@given(diameter=sizes, length=sizes, depth=st.floats(0.01, 1.0), form=forms, share=st.floats(1e-4, 1))
def test_any_lying_cylinder(diameter: float, length: float, depth: float, form: str, share: float) -> None:
    """Whatever the sizes: the inverse holds, and a vessel and its upside-down image hold its whole volume."""
    vessel = stack([LyingCylinder(diameter, length, form, 0.0 if form == "flat" else depth * diameter / 2)])
    level = share * diameter
    volume = vessel.volume_ml(level)
    assert vessel.level_mm(volume) == pytest.approx(level, rel=1e-9)
    assert volume + vessel.volume_ml(diameter - level) == pytest.approx(vessel.total_ml, rel=1e-12)
