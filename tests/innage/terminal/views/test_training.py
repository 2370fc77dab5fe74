"""What a terminal of 100 columns shows of a pad array's model. All numbers invented."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from reports import a_cost

from innage.terminal.views.models.training import show_model, show_models
from training.search.array_recipes import ArrayRecipe
from training.search.kept_recipe import KeptBoard, KeptRecipe
from training.search.metrics import NEVER_RAISED

ERRORS = {
    "frames": 4000,
    "groups": 12,
    "accepted_share": 0.991,
    "p50_mm": 0.5123,
    "p95_mm": 1.2345,
    "max_mm": 13.04,
    "p95_pct": 1.02875,
    "worst_group": "detergent-canister-unit-17",
    "frames_p95_mm": 1.31,
    "worst_group_p95_mm": 1.834,
    "label_u_mm": 0.312,
}
CHOSEN = {
    "family": "array net with unrest",
    "size": "24-12",
    "bits": 16,
    "watcher": [16],
    "watched": ["unrest"],
    "meets": True,
    "departure_mm": 0.0,
    "choose": {"integer": {"rmse_mm": 1.0}, "float": {}},
    "cost": a_cost(5000, 17000),
    "classes": {"clean": [1.012, 0.993], "foam": [2.034, 0.9], "film": [2.156, 0.9], "all": [1.9, 0.95]},
}
FACTS: dict[str, Any] = {
    "name": "canister-1",
    "sha256": "ab" * 32,
    "uneven_spans_mm": {},
    "frozen": {"name": "spring", "sha256": "cd" * 32, "group_by": "unit", "origin": "simulated"},
    "limits": "owner@1",
    "date": "2026-03-02",
    "parent": None,
    "status": None,
    "recipe": KeptRecipe(
        family="array net with unrest",
        size="24-12",
        bits=16,
        board=KeptBoard(16, 6, "rises", 100, 10, 120.0),
        array=ArrayRecipe((24, 12), 16, (16,), ("unrest",), True, "full"),
    ).to_json(),
    "versions": {},
    "boards": [],
    "metrics": {
        "chosen": CHOSEN,
        "candidates": [CHOSEN],
        "choose_how": "scored on 4 'choose' groups",
        "why": "the smallest that meets the limits",
        "next_step": "no larger candidate that was measured has a smaller choose error",
        "openings": 3,
        "trim": "full",
        "origin": "simulated",
        "prove": {
            "integer": {"rmse_mm": 1.1, "p95_abs_mm": 1.23},
            "beyond": {"frames": 7, "groups": 1, "accepted_share": 0.5},
        },
        "random_rows": {"integer": {"p95_abs_mm": 0.6}},
        "claims": {
            "classes": {"clean": ERRORS, "all": ERRORS},
            "by": {"liquid": {"water": ERRORS}},
            "false_wet": {"episodes": 24, "wrong": 0, "frames": 0, "upper_bound_95": 0.117},
        },
        "limits": [
            {
                "metric": "p95_pct_span",
                "condition": "clean",
                "min_groups": 1,
                "bound": 1.0,
                "value": 1.02875,
                "answer": "not met",
                "reason": "1.029 is above 1 on 12 groups",
            },
            {
                "metric": "p95_pct_span",
                "condition": "hot",
                "min_groups": 1,
                "bound": 1.0,
                "value": None,
                "answer": "not enough evidence",
                "reason": "no frames of condition 'hot'",
            },
        ],
        "band": {"given": False, "reason": "a 90 % band needs 9 calibrate groups, there are 4"},
        "budget": {"name": "small", "within": True},
    },
}


def test_limits_stand_before_what_was_found_and_all_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """The order is limits, classes, rates, why, candidates; every table keeps to 80 columns."""
    show_model(FACTS)
    said = capsys.readouterr().out
    flat = " ".join(said.split())
    places = [
        said.index(text)
        for text in (
            "simulated",
            "not met",
            "opening 3 of",
            "0 of 24 episodes",
            "Why: ",
            "Next step up",
            "candidates, smallest",
        )
    ]
    assert places == sorted(places)
    for text in (
        "Worst groups by P95: detergent-canister-unit-17 (clean, all).",
        "liquid: water",
        "All groups are weighted equally",
        "11.7 % of them",
        "7 test frames of",
        "Budget small: kept",
        "No band: a 90 % band needs 9",
        "16 unrest",
        "Inputs of a frame: a count of 6 channels, and its unit's dry and full trim.",
        "The net for the level reads how wet each pad is; each pad over the wettest one.",
        "The nets for doubt, foam and film read how much all pads change from frame to frame.",
        "trim full",
        "1 limit not met, 1 without enough evidence, of 2",
    ):
        assert text in flat, text
    ruled = [line for line in said.splitlines() if line.startswith("─")]
    assert len(ruled) == 6
    assert max(map(len, ruled)) <= 80
    assert "float mm" not in said


def test_nothing_proved_and_nothing_simulated_are_said(capsys: pytest.CaptureFixture[str]) -> None:
    facts = copy.deepcopy(FACTS)
    facts["metrics"] |= {"claims": None, "prove": None, "random_rows": None, "limits": []}
    facts["frozen"]["origin"] = "measured"
    show_model(facts)
    said = capsys.readouterr().out
    assert "has no 'prove' groups, so no limit can be answered" in said
    assert "No limits were given" in said
    assert "figures are of" not in said


def test_the_list_counts_limits_and_says_what_the_readings_are(capsys: pytest.CaptureFixture[str]) -> None:
    """Below when each was trained, on what, for which limits and from which model."""
    show_models([FACTS, FACTS | {"name": "canister-2", "parent": "canister-1", "date": None}])
    rows = [
        line.split()
        for line in capsys.readouterr().out.splitlines()
        if line.startswith(("canister-1", "canister-2"))
    ]
    figures = ["array", "net", "with", "24-12", "16", "1.1", "0/1/1", "5000", "simulated"]
    assert rows == [
        ["canister-1", "2026-03-02", "spring", "owner@1", "-"],
        ["canister-2", "-", "spring", "owner@1", "canister-1"],
        ["canister-1", *figures],
        ["canister-2", *figures],
    ]


def test_a_model_says_when_and_from_which_it_came(capsys: pytest.CaptureFixture[str]) -> None:
    show_model(FACTS | {"parent": "canister-0"})
    assert "Model canister-1, trained on 2026-03-02, refitted from canister-0." in capsys.readouterr().out


def test_what_a_claim_on_temperature_bands_is_about_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """Once, beside the figures; of units it goes without saying."""
    for group_by, times in (("unit", 0), ("temperature", 1)):
        facts = copy.deepcopy(FACTS)
        facts["frozen"]["group_by"] = group_by
        facts["metrics"]["seen_in_prove_bands"] = {"frames": 3000, "inside": 12}
        show_model(facts)
        said = " ".join(capsys.readouterr().out.split())
        assert (
            said.count(
                "These are temperature bands not seen in fitting, chosen and not drawn; units, "
                "liquids and sessions may be the same in both"
            )
            == times
        )
        assert said.count("of 3000 frames to fit and choose on, 12 were measured inside them.") == times


def test_columns_of_what_no_candidate_has_are_left_out(capsys: pytest.CaptureFixture[str]) -> None:
    """Curves of few pads have no watcher, and where no foam was captured there is no error under it."""
    facts = copy.deepcopy(FACTS)
    few = CHOSEN | {
        "family": "hinge",
        "size": 8,
        "error_mm": 1.1,
        "classes": {"clean": [1.012, 0.993], "all": [1.012, 0.95]},
    }
    few = {name: value for name, value in few.items() if name not in ("watcher", "watched")}
    facts["metrics"] |= {"candidates": [few], "chosen": few, "flag_table": {"foam": NEVER_RAISED}}
    show_model(facts)
    said = capsys.readouterr().out
    tried = said.partition("candidates, smallest first")[2]
    assert not {"watcher", "foam", "film"} & set(tried.split())
    assert "hinge 8    16   1.1   1.01" in tried
    assert "Not told from liquid by so few pads, and never flagged: foam." in said
