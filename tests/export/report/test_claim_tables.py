"""Figures as rows: what is rounded, what is left out. All numbers invented."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from reports import a_cost

from export.report.claim_tables import (
    CANDIDATE_COLUMNS,
    CLASS_COLUMNS,
    SHORT_COLUMNS,
    ablation_sentences,
    against_next_sentence,
    candidate_rows,
    class_rows,
    never_raised_sentence,
    percent,
    place_rows,
    rate_rows,
    short_place_rows,
    study_columns,
    study_rows,
    trim_gate_sentence,
)
from training.judging.figures import Figures
from training.search.metrics import NEVER_RAISED, AgainstNext, GatedUnits, TrimGate, read_metrics
from training.search.study_figures import Ablation, StudyRow

ERRORS = {
    "frames": 100,
    "groups": 4,
    "accepted_share": 0.985,
    "p50_mm": 0.5123,
    "p95_mm": 1.2345,
    "max_mm": 3.0,
    "p95_pct": 1.02875,
    "frames_p95_mm": 1.411,
    "worst_group": "unit-7",
    "worst_group_p95_mm": 1.8,
    "label_u_mm": None,
}


def _episodes(episodes: int, wrong: int) -> dict[str, Any]:
    return {"episodes": episodes, "wrong": wrong, "frames": wrong, "upper_bound_95": 0.3}


CLAIMS: dict[str, Any] = {
    "classes": {
        "all": ERRORS,
        "film": {"frames": 9, "groups": 1, "accepted_share": 0.0},
        "foam": ERRORS,
        "clean": ERRORS,
    },
    "by": {"liquid": {"water": ERRORS}, "zone": {"lowest pad": ERRORS}, "level band": {"0 to 10 %": ERRORS}},
    "false_wet": {"episodes": 20, "wrong": 1, "frames": 3, "upper_bound_95": 0.216},
    "false_dry": {"episodes": 0, "wrong": 0, "frames": 0, "upper_bound_95": None},
    "false_wet_by": {"dry": _episodes(12, 0), "drops": _episodes(8, 1)},
    "dry_recognised_share": 0.9997,
    "dry_recognised_least": 0.9,
    "power_on": {
        "starts": 40,
        "none": 1,
        "window_s": 30.0,
        "restarts": 2,
        "wait_p50_s": 0.0,
        "wait_p95_s": 0.4,
        "wait_max_s": None,
        "withheld_anyway": 4,
        "settling_frames": 64,
        "as_warm_share": 0.9991,
        "apart_mm": 0.125,
    },
    "flags": {
        "foam": {"frames_with": 0, "flagged_share": None, "frames_without": 109, "false_flag_share": 0.0002}
    },
    "longest_withheld_s": 2.5,
    "longest_wrong_s": 0.0,
    "hysteresis_mm": 0.1234,
    "band": None,
}


def claims() -> Figures:
    """The figures as a model's metrics have them."""
    figures = Figures.from_json(CLAIMS)
    assert figures is not None
    return figures


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (1, 100),
        (1.0, 100),
        (0.99997, 99.997),
        (0.985, 98.5),
        (0, 0),
        (0.00004, 0.004),
        (0.5, 50),
        (None, None),
    ],
)
def test_a_share_is_100_or_0_only_when_it_is(share: float | None, said: float | None) -> None:
    found = percent(share)
    assert found == (said if said is None else pytest.approx(said))
    assert share is None or (found == 100) == (share == 1)


def test_classes_come_in_order_with_the_label_uncertainty_last() -> None:
    """A class in which nothing was accepted keeps its row, without errors; unknown uncertainty is None, not
    nought.
    """
    rows = class_rows(claims())
    assert [row[0] for row in rows] == ["clean", "foam", "film, drops", "all"]
    assert {len(row) for row in rows} == {len(CLASS_COLUMNS)}
    assert rows[0] == ("clean", 4, 100, 98.5, 0.512, 1.23, 3.0, 1.03, 1.41, "unit-7", 1.8, None)
    assert rows[2] == ("film, drops", 1, 9, 0.0, *[None] * 8)


def test_places_are_named() -> None:
    assert [row[0] for row in place_rows(claims())] == [
        "zone: lowest pad",
        "level band: 0 to 10 %",
        "liquid: water",
    ]


def test_a_terminal_shows_places_without_level_bands() -> None:
    assert [row[0] for row in short_place_rows(claims())] == ["zone: lowest pad", "liquid: water"]
    assert {len(row) for row in short_place_rows(claims())} == {len(SHORT_COLUMNS)}


def test_rates_stand_beside_their_episodes_and_bounds() -> None:
    """Wrong of episodes with the bound; what nobody captured is said not to be shown; what there is not is
    left out.
    """
    rows = dict(rate_rows(claims()))
    assert (
        rows["false wet: empty tank read above 5 % of span"]
        == "1 of 20 episodes (3 frames); at most 21.6 % of them (95 % confidence)"
    )
    assert (
        rows["false dry: called empty above 5 % of span"]
        == "not enough evidence: no such episode was captured"
    )
    assert rows["dry tank recognised"] == "99.97 % of its frames, worst group 90 %"
    assert rows["by what is on the empty tank's wall"] == "dry 0 of 12 episodes; drops 1 of 8 episodes"
    waits = "36 power-ons tried: P50 0 s, P95 0.4 s after the first frame"
    none = "in at least one there was no reading within 30 s"
    assert (
        rows["power-on at a random frame: first reading"]
        == f"{waits}; {none}; 4 more not counted: a chip left running withholds there too"
    )
    assert (
        rows["readings 64 frames or more after power-on"]
        == "99.91 % equal those without the restart; levels at most 0.125 mm apart"
    )
    assert rows["gaps in time: the model started anew"] == "2 in the judged sessions"
    assert rows["foam flagged"] == "0.02 % of 109 frames without"
    assert rows["filling minus draining, clean (hysteresis)"] == "+0.123 mm"
    assert rows["longest wrong by more than 5 % of span"] == "0 s"
    assert rows["below the top of the lowest pad"] == "P95 1.23 mm; 98.5 % of 100 frames accepted"
    assert "band" not in rows
    assert rate_rows(Figures()) == []


STUDIED = {
    "name": "ratios only",
    "error_mm": 2.0,
    "classes": {"clean": {"p95_mm": 1.234, "p95_pct": 0.771}, "all": {"accepted_share": 0.97}},
    "false_wet": {"episodes": 20, "wrong": 0, "frames": 9, "upper_bound_95": 0.3},
    "within": False,
    "cost": a_cost(1700, 4500),
    "good_from_pct": 20,
    "refused": None,
}


def test_a_study_is_rows_with_what_each_variant_costs() -> None:
    refused: dict[str, Any] = {
        "name": "full",
        "error_mm": None,
        "classes": {},
        "false_wet": None,
        "within": False,
        "cost": None,
        "refused": "no integers",
    }
    read = [row for row in map(StudyRow.from_json, (STUDIED, refused)) if row is not None]
    assert study_rows(read) == [
        ("ratios only", 2.0, 1.23, 0.771, None, None, 97.0, 0, "no", 20, 1700, 4500),
        ("full", *[None] * 7, "refused", None, None, None),
    ]
    assert {len(row) for row in study_rows(read)} == {len(study_columns("features"))}


@pytest.mark.parametrize(
    ("role", "needed", "said"),
    [("prove", "full", "within the limits here is 'full'"), ("choose", None, "No trim that all units have")],
)
def test_an_ablation_says_how_it_was_made_and_which_trim_is_needed(
    role: str, needed: str | None, said: str
) -> None:
    its = {
        "role": role,
        "steps": 400,
        "fit_rows": 6000,
        "trims": {"rows": [], "needed": needed},
        "features": {"rows": [STUDIED]},
    }
    ablation = Ablation.from_json(its)
    assert ablation is not None
    how, explained, which = ablation_sentences(ablation, limited=True)
    assert f"judged on the {role} groups" in how
    assert ("claim nothing" in how) == (role == "choose")
    assert "from %" in explained
    assert said in which
    assert len(ablation_sentences(ablation, limited=False)) == 1


@pytest.mark.parametrize(
    ("low", "high", "told"), [(-0.1, 0.5, "not told apart"), (0.1, 0.3, "are told apart")]
)
def test_the_next_candidate_stands_beside_the_chosen_one(low: float, high: float, told: str) -> None:
    said = against_next_sentence(AgainstNext("net 8", 0.2, low, high, 12))
    assert "the next best, net 8, group by group: P95 is 0.2 mm higher on average" in said
    assert f"{low:+g} to {high:+g} mm, 12 groups)" in said
    assert said.endswith(told)


def test_candidates_are_rows_with_the_chosen_one_marked() -> None:
    """A candidate that could not be made integer has no figures; the mean is that of clean, foam and film."""
    one = {
        "size": "12-6",
        "bits": 16,
        "watcher": [8, 6],
        "watched": ["shares", "unrest"],
        "meets": True,
        "sure": 0.75,
        "cost": a_cost(2000, 7000),
        "classes": {"clean": [1.0, 0.99], "foam": [3.0, 0.9], "all": [2.0, 0.95]},
    }
    other = {
        "size": "8",
        "bits": 8,
        "watcher": [6],
        "watched": ["shares"],
        "meets": False,
        "cost": None,
        "classes": {},
        "refused": "too wide",
    }
    rows = candidate_rows(read_metrics({"candidates": [one, other], "chosen": dict(one)}))
    assert rows[0] == ("12-6", 16, "8-6 unrest", 2.0, 1.0, 3.0, None, 95.0, 2000, 7000, 75.0, "yes", "chosen")
    assert rows[1] == ("8", 8, "6", *[None] * 8, "refused", "")
    assert len(rows[0]) == len(CANDIDATE_COLUMNS)


def test_flags_that_are_never_raised_are_named() -> None:
    table = {"foam": NEVER_RAISED, "film": NEVER_RAISED, "out_of_range": "withheld"}
    assert never_raised_sentence(table).endswith("never flagged: foam, film")
    assert never_raised_sentence({"foam": "level given", "out_of_range": "withheld"}) == ""


def test_units_that_the_gate_of_swings_refuses_are_named_by_role() -> None:
    """A role without units is left out; a program without a gate takes any."""
    gate = TrimGate(1.5, GatedUnits(4, ("u2", "u3")), GatedUnits(9, ()))
    said = trim_gate_sentence(gate)
    assert "by the factor 1.5. Refused would be 2 of 4 choose units (u2, u3), 0 of 9 calibrate units" in said
    assert "calibrate" not in trim_gate_sentence(replace(gate, calibrate=GatedUnits(0, ())))
    assert trim_gate_sentence(TrimGate(1.5, None, None)) == trim_gate_sentence(None) == ""
