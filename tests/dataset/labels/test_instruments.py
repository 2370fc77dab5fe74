"""Calibrations in force, what they make of labels, and what is warned of or refused."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from dataset.errors import InputError
from dataset.labels.instruments import Calibrations, check_instrument, used_at
from dataset.labels.marking import Labelling, Method, level_of
from dataset.records import Instrument, InstrumentKind, Liquid, Tank
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Cylinder

WATER = Liquid("water", model="water")
CAN = Tank("can", 1, 150.0, profile=to_json(stack([Cylinder(diameter_mm=100.0, height_mm=160.0)])))
SCALE = Instrument("s1", InstrumentKind.SCALE, "2026-01-10", 0.8, 2.0, 0.1, 365)
LATER = replace(SCALE, calibrated="2026-06-01", uncertainty=0.4)
BOTH = Calibrations((SCALE, LATER))


def test_standard_uncertainty_of_a_certificate() -> None:
    """240 ug at three standard deviations are a standard uncertainty of 80 ug.

    Source: JCGM 100:2008, the example of 4.3.3 (from memory).
    """
    mass = Instrument("m", InstrumentKind.SCALE, "2026-01-10", 240e-6, 3.0)
    assert mass.standard_uncertainty == pytest.approx(80e-6)


def test_resolution_and_calibration_become_parts_of_a_level() -> None:
    """A display's step d gives 0.29 d, independent from mark to mark; half the expanded 0.8 g is common.

    Source: JCGM 100:2008, F.2.2.1 (u = 0.29 d) and eq. (10); a level is h = m B / (rho A), worked by hand.
    """
    labelling = used_at([BOTH], "2026-02-01T08:00:00+00:00").over(Labelling(WATER))
    level = level_of("x", Method.MASS, 800.0, 20.0, CAN, labelling)
    mm_of_a_gram = 1.0010534 / (998.2072 * math.pi / 4 * 0.1**2)
    assert level.u == pytest.approx(0.29 * 0.1 * mm_of_a_gram, rel=5e-3)
    assert level.u_common == pytest.approx(0.4 * mm_of_a_gram, rel=1e-4)
    assert level.value == level_of("x", Method.MASS, 800.0, 20.0, CAN, Labelling(WATER)).value


def test_each_kind_of_instrument() -> None:
    """A thermometer moves the density, a cylinder what was poured, a height gauge levels that are read off;
    a half-width that is stated stands in place of the resolution.
    """
    warm = Instrument("t", InstrumentKind.THERMOMETER, "2026-01-10", 0.5, 1.0, 0.2)
    poured = Instrument("c", InstrumentKind.CYLINDER, "2026-01-10", 4.0, 2.0, 5.0)
    gauge = Instrument("g", InstrumentKind.HEIGHT_GAUGE, "2026-01-10", 0.06, 2.0, 0.02)
    used = used_at([Calibrations((k,)) for k in (warm, poured, gauge)], None)
    labelling = used.over(Labelling(WATER, poured_half_width_ml=1.0))
    assert labelling.temperature_u == pytest.approx(math.hypot(0.5, 0.1 / math.sqrt(3)))
    assert labelling.poured_half_width_ml == 1.0
    level = level_of("x", Method.POURED, 800.0, 20.0, CAN, labelling)
    mm_of_a_ml = 1000 / (math.pi / 4 * 100**2)
    assert level.u_common == pytest.approx(2.0 * mm_of_a_ml, rel=1e-6)
    assert level.u == pytest.approx(1 / math.sqrt(3) * mm_of_a_ml, rel=1e-6)
    assert labelling.level_u_common_mm == pytest.approx(0.03)
    assert labelling.level_u(None) == pytest.approx(0.01 / math.sqrt(3))
    assert labelling.level_u(0.5) == 0.5
    assert Labelling(WATER).level_u(None) is None
    mass = level_of("x", Method.MASS, 800.0, 20.0, CAN, labelling)
    assert mass.u_common == pytest.approx(mass.parts["temperature"])


@pytest.mark.parametrize(
    ("started", "day", "sentence"),
    [
        ("2026-02-01T08:00:00+00:00", "2026-01-10", None),
        ("2026-06-01T08:00:00+00:00", "2026-06-01", None),
        ("2027-06-01T08:00:00+00:00", "2026-06-01", None),
        ("2027-06-02T08:00:00+00:00", "2026-06-01", "held until 2027-06-01; the session began later"),
        (None, "2026-06-01", "no start is stated, so the newest calibration of scale s1 counts"),
    ],
)
def test_the_calibration_in_force(started: str | None, day: str, sentence: str | None) -> None:
    used = used_at([BOTH], started)
    assert used.calibrations[0].calibrated == day
    assert [sentence in w.sentence for w in used.warnings if sentence] == [True] * (sentence is not None)
    assert len(used.warnings) == (sentence is not None)


def test_what_cannot_be_used_is_refused() -> None:
    with pytest.raises(InputError, match="calibrated on 2026-01-10, and the session began on 2026-01-09"):
        used_at([BOTH], "2026-01-09T23:00:00+00:00")
    with pytest.raises(InputError, match="s1, s2, each a scale; expected one of each kind"):
        used_at([BOTH, Calibrations((replace(SCALE, name="s2"),))], None)
    for fault, sentence in (
        ({"name": "no name"}, "instrument name"),
        ({"calibrated": "10.1.2026"}, "a date as YYYY-MM-DD"),
        ({"uncertainty": 0.0}, "more than 0 and at most 1e[+]06 g"),
        ({"uncertainty": math.nan}, "more than 0"),
        ({"resolution": -1.0}, "at least 0"),
        ({"coverage": 0.5}, "1 for a standard uncertainty"),
        ({"coverage": math.inf}, "1 for a standard uncertainty"),
        ({"interval_days": 0}, "at least 1"),
        ({"certificate": "a\x07"}, "a control character"),
        ({"serial": " 7"}, "without spaces around it"),
    ):
        with pytest.raises(InputError, match=sentence):
            check_instrument(replace(SCALE, **fault))
