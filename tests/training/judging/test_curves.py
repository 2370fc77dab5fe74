"""Error by level and by class, confusion, and risk against acceptance, on answers made by hand; all numbers
invented.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from training.judging.categorical import Categorical
from training.judging.curves import (
    MOST_UNITS,
    confusion_rows,
    error_boxes,
    errors_by_class_level,
    errors_by_level,
    operating_points,
    predicted_levels,
    risk_curves,
    unit_errors,
)
from training.judging.judged import Judged
from training.models.operating import Scores
from training.models.watch import States
from training.program import WITHHELD

FRAMES = 100


def filling() -> Judged:
    """A clean filling of a tank of span 100, a frame each half millimetre above 0.5 in the lower half; the
    error grows by 0.01 mm a frame.
    """
    zero, no = np.zeros(FRAMES, np.int64), np.zeros(FRAMES, np.bool_)
    label = 0.25 + 0.5 * np.arange(FRAMES, dtype=np.float64)
    names = Categorical.of(["one"] * FRAMES)
    return Judged(
        label,
        np.full(FRAMES, 0.3),
        np.zeros(FRAMES),
        label + 0.01 * np.arange(FRAMES),
        np.full(FRAMES, 100.0),
        zero + 1,
        zero,
        zero,
        zero,
        States(no.copy(), no.copy(), no.copy(), no.copy(), ~no),
        dict.fromkeys(("session", "group", "unit", "liquid"), names),
        100.0,
    )


def scores(its: Judged, doubt: np.ndarray) -> Scores:
    zero = np.zeros(FRAMES, np.int64)
    level = its.label_mm + 0.01 * np.arange(FRAMES)
    return Scores(level, level, doubt.astype(np.int64), zero, zero, zero, zero, zero)


def test_errors_stand_by_level_with_the_labels_uncertainty() -> None:
    """Ten frames a bin of 5 mm, none above 50 mm; within a bin the median is the middle of ten
    equal steps.
    """
    found = errors_by_level(filling())
    assert [row.frames for row in found] == [10] * 10
    assert [row.level_mm for row in found] == pytest.approx([2.5 + 5 * k for k in range(10)])
    assert [row.p50_mm for row in found] == pytest.approx([0.045 + 0.1 * k for k in range(10)])
    assert all(row.p05_mm < row.p50_mm < row.p95_mm for row in found)
    assert {row.label_u_mm for row in found} == {0.3}


def test_withheld_readings_and_empty_tanks_are_no_errors() -> None:
    its = filling()
    its.validity[:6] = 0
    its.level_mm[:6] = np.nan
    its.states.empty[10:20] = True
    found = errors_by_level(its)
    assert [round(row.level_mm, 1) for row in found][:2] == [
        12.5,
        17.5,
    ]  # four frames are too few for quantiles


def test_unknown_uncertainty_is_said_as_unknown() -> None:
    its = filling()
    its.u_mm[:10] = np.nan
    assert [row.label_u_mm for row in errors_by_level(its)][:2] == [None, 0.3]


def test_a_doubt_that_knows_the_error_buys_accuracy() -> None:
    """With doubt in the order of the errors the P95 of the accepted share a is that of the a smallest errors,
    by hand 0.01 * 0.95 * (n - 1).
    """
    its = filling()
    curves = risk_curves(its, scores(its, np.arange(FRAMES)))
    found = curves["clean"]
    assert curves["liquid"] == found  # nothing else is in the tank
    for row in found:
        n = round(row.accepted_share * FRAMES)
        assert row.p95_mm == pytest.approx(0.01 * 0.95 * (n - 1), abs=1 / 128)  # levels are whole 1/64 mm
    assert found[-1].accepted_share == 1.0
    assert found[0].accepted_share < 0.55


def test_a_doubt_that_knows_nothing_accepts_all_or_none() -> None:
    """Equal doubt: one threshold, everything accepted together; a class without frames has no curve."""
    its = filling()
    found = risk_curves(its, scores(its, np.full(FRAMES, 7)))
    assert set(found) == {"clean", "liquid"}
    assert [(row.doubt, row.accepted_share) for row in found["clean"]] == [(7, 1.0)]


def test_a_curve_falls_with_a_doubt_that_knows_and_is_flat_with_one_that_does_not() -> None:
    """Errors of 0 to 0.99 mm. A doubt in their order halves the P95 with the frames; one that goes through
    the frames in steps of 37 has of every share of them small and large errors alike.
    """
    its = filling()
    knows, blind = (
        risk_curves(its, scores(its, doubt))["liquid"]
        for doubt in (np.arange(FRAMES), np.arange(FRAMES) * 37 % FRAMES)
    )
    for curve, least, most in ((knows, 0.4, 0.6), (blind, 0.95, 1.05)):
        assert [point.accepted_share for point in curve] == sorted(point.accepted_share for point in curve)
        assert least <= curve[0].p95_mm / curve[-1].p95_mm <= most
    assert all(0.94 * blind[-1].p95_mm < point.p95_mm < 1.06 * blind[-1].p95_mm for point in blind)


def test_the_operating_point_is_what_is_accepted_in_fact() -> None:
    """Ten clean frames withheld and ten under foam of which nothing is given: of clean ones 80 of 90, of all
    liquid 80 of 100, and of neither a frame that is withheld counts as an error.
    """
    its = filling()
    its.states.foam[90:], its.states.clean[90:] = True, False
    its.validity[80:], its.level_mm[80:] = 0, np.nan
    found = operating_points(its)
    assert set(found) == {"clean", "liquid"}
    assert [found[name].accepted_share for name in ("clean", "liquid")] == pytest.approx(
        [8 / 9, 0.8], abs=1e-5
    )
    assert found["clean"].p95_mm == found["liquid"].p95_mm == pytest.approx(0.01 * 0.95 * 79)


def test_a_box_is_the_quantiles_of_signed_errors() -> None:
    """Errors of 0 to 0.99 mm in equal steps: the inverse of the distribution function (Hyndman and Fan,
    American Statistician 50 (1996) 361, definition 1).
    """
    (box,) = error_boxes(filling())
    assert (box.name, box.frames, box.sessions, box.groups) == ("clean", 100, 1, 1)
    assert [box.p05_mm, box.p25_mm, box.p50_mm, box.p75_mm, box.p95_mm] == pytest.approx(
        [0.05, 0.25, 0.5, 0.75, 0.95], abs=0.011
    )
    assert (box.least_mm, box.most_mm) == (0.0, 0.99)


def test_groups_weigh_the_same_in_a_box_and_few_readings_have_none() -> None:
    """Ten frames of one group 2 mm too low weigh as much as the ninety of the other, which are about 0.5 mm
    too high; four foamy frames are no box.
    """
    its = filling()
    group = Categorical.of(("one", "two"), np.arange(FRAMES) < 10)
    its = replace(its, places={**its.places, "group": group})
    its.level_mm[:10] = its.label_mm[:10] - 2
    its.states.foam[20:24] = True
    (box,) = error_boxes(its)
    assert (box.groups, box.p25_mm, box.least_mm) == (2, pytest.approx(-2), pytest.approx(-2))
    assert box.p75_mm > 0.5


def test_every_frame_has_one_row_in_the_confusion() -> None:
    """Foam of which half is flagged, foam and film together, sloshing, a dry tank called wet once, a wet wall
    in an empty tank that is withheld.
    """
    its = filling()
    state = its.states
    rows = {
        "foam": slice(0, 10),
        "foam and film": slice(10, 14),
        "rough": slice(14, 20),
        "dry": slice(20, 30),
        "empty, film": slice(30, 35),
    }
    state.clean[:35] = False
    state.foam[:14] = state.film[10:14] = state.empty[20:35] = state.dry[20:30] = state.film[30:35] = True
    its.flags[:5], its.flags[10:14] = 1, 3
    its.validity[20:29], its.validity[30:35] = 2, 0
    found = {row.stated: row for row in confusion_rows(its)}
    assert {name: row.frames for name, row in found.items()} == {"clean": 65} | {
        name: its.stop - its.start for name, its in rows.items()
    }
    assert all(sum(row.said.values()) == row.frames for row in found.values())
    assert (found["foam"].raised["foam"], found["foam"].raised["film"], found["foam"].due) == (
        5,
        0,
        ("valid", "foam"),
    )
    assert (found["foam and film"].raised["foam"], found["foam and film"].raised["film"]) == (4, 4)
    assert found["dry"].said == {"withheld": 0, "valid": 1, "empty": 9}
    assert found["empty, film"].said["withheld"] == 5
    assert found["clean"].raised == dict.fromkeys(("foam", "film", "out_of_range", "sensor_fault"), 0)


def foamy() -> Judged:
    """The filling with foam on its first forty frames, which read 5 mm more; the first ten are withheld."""
    answers = filling()
    answers.states.foam[:40] = True
    answers.states.clean[:40] = False
    answers.level_mm[:40] += 5.0
    answers.validity[:10] = WITHHELD
    answers.level_mm[:10] = np.nan
    return answers


def test_foam_does_not_hide_clean_by_level() -> None:
    """Bins of the foam's levels in the one, of the others in the other; nothing of what was withheld."""
    found = errors_by_class_level(foamy())
    assert {name: [row.frames for row in rows] for name, rows in found.items()} == {
        "clean": [10] * 6,
        "foam": [10] * 3,
    }
    assert all(row.p50_mm > 5 for row in found["foam"])
    assert all(row.p50_mm < 1 for row in found["clean"])


def test_predicted_levels_are_spread_and_hold_the_worst() -> None:
    """Of 60 clean readings at least the 45 spaced evenly and the 15 furthest off, which are the last here."""
    found = predicted_levels(foamy())
    assert len(found["foam"]) == 30
    clean = found["clean"]
    assert 45 <= len(clean) <= 60
    assert list(clean) == sorted(clean)
    assert clean[0] == (20.25, 20.65)
    last = foamy().label_mm[-15:].tolist()
    assert [true for true, _ in clean[-15:]] == last
    assert predicted_levels(replace(foamy(), validity=np.full(FRAMES, WITHHELD))) == {}


def test_units_stand_as_people_count_with_errors_by_class() -> None:
    """u2 before u10; the strip of a class runs from its least error to its greatest; a unit of four readings
    is left out.
    """
    unit = np.where(np.arange(FRAMES) < 60, "u10", "u2")
    unit[-4:] = "u3"
    answers = foamy()
    answers = replace(answers, places={**answers.places, "unit": Categorical.of(unit.tolist())})
    two, ten = unit_errors(answers)
    assert (two.unit, two.frames, ten.unit, ten.frames) == ("u2", 36, "u10", 50)
    assert list(two.errors_mm) == ["clean"]
    foam = ten.errors_mm["foam"]
    assert (len(foam), foam[0], foam[-1]) == (15, pytest.approx(5.1), pytest.approx(5.39))
    assert list(foam) == sorted(foam)


def test_of_many_units_those_that_err_most_are_kept() -> None:
    """Five readings a unit, and errors that grow with the number of the unit."""
    n = 5 * (MOST_UNITS + 2)
    rows, one = np.arange(n) % FRAMES, filling()
    many = replace(
        one,
        label_mm=one.label_mm[rows],
        u_mm=one.u_mm[rows],
        validity=one.validity[rows],
        level_mm=one.label_mm[rows] + 0.01 * np.arange(n),
        states=States(**{f.name: getattr(one.states, f.name)[rows] for f in fields(States)}),
        places={"unit": Categorical.of([f"u{k // 5}" for k in range(n)])},
    )
    assert [unit.unit for unit in unit_errors(many)] == [f"u{k}" for k in range(2, MOST_UNITS + 2)]
