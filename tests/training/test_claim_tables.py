"""Figures as rows: what is rounded, what is left out. All numbers invented."""

from __future__ import annotations

from typing import Any

import pytest

from training.claim_tables import CANDIDATE_COLUMNS, CLASS_COLUMNS, candidate_rows, class_rows, percent, place_rows, random_rows_sentence, rate_rows

ERRORS = {
    "frames": 100, "groups": 4, "accepted_share": 0.985, "p50_mm": 0.5123, "p95_mm": 1.2345, "max_mm": 3.0, "p95_pct": 1.02875, "worst_group": "unit-7",
    "worst_group_p95_mm": 1.8, "label_u_mm": None,
}  # fmt: skip
CLAIMS: dict[str, Any] = {
    "classes": {"all": ERRORS, "film": {"frames": 9, "groups": 1, "accepted_share": 0.0}, "foam": ERRORS, "clean": ERRORS},
    "by": {"liquid": {"water": ERRORS}, "zone": {"lowest pad": ERRORS}},
    "false_wet": {"episodes": 20, "wrong": 1, "frames": 3, "upper_bound_95": 0.216},
    "false_dry": {"episodes": 0, "wrong": 0, "frames": 0, "upper_bound_95": None},
    "dry_recognised_share": 0.9997,
    "flags": {"foam": {"frames_with": 0, "flagged_share": None, "frames_without": 109, "false_flag_share": 0.0002}},
    "longest_withheld_s": 2.5, "longest_wrong_s": 0.0, "hysteresis_mm": 0.1234, "band": None,
}  # fmt: skip


@pytest.mark.parametrize(("share", "said"), [(1, 100), (1.0, 100), (0.99997, 99.997), (0.985, 98.5), (0, 0), (0.00004, 0.004), (0.5, 50), (None, None)])
def test_a_share_is_100_or_0_only_when_it_is(share: float | None, said: float | None) -> None:
    found = percent(share)
    assert found == (said if said is None else pytest.approx(said))
    assert share is None or (found == 100) == (share == 1)


def test_classes_come_in_order_with_the_label_uncertainty_last() -> None:
    """A class in which nothing was accepted keeps its row, without errors; unknown uncertainty is None, not nought."""
    rows = class_rows(CLAIMS)
    assert [row[0] for row in rows] == ["clean", "foam", "film, drops", "all"]
    assert {len(row) for row in rows} == {len(CLASS_COLUMNS)}
    assert rows[0] == ("clean", 4, 100, 98.5, 0.512, 1.23, 3.0, 1.03, "unit-7", 1.8, None)
    assert rows[2] == ("film, drops", 1, 9, 0.0, *[None] * 7)


def test_places_are_named() -> None:
    assert [row[0] for row in place_rows(CLAIMS)] == ["zone: lowest pad", "liquid: water"]


def test_rates_stand_beside_their_episodes_and_bounds() -> None:
    """Wrong of episodes with the bound; what nobody captured is said not to be shown; what there is not is left out."""
    rows = dict(rate_rows(CLAIMS))
    assert rows["false wet: empty tank read above 5 % of span"] == "1 of 20 episodes (3 frames); at most 21.6 % of them (95 % confidence)"
    assert rows["false dry: called empty above 5 % of span"] == "not shown: no such episode was captured"
    assert rows["dry tank recognised"] == "99.97 % of its frames"
    assert rows["foam flagged"] == "0.02 % of 109 frames without"
    assert rows["filling less draining, clean (hysteresis)"] == "+0.123 mm"
    assert rows["longest wrong by more than 5 % of span"] == "0 s"
    assert rows["below the top of the lowest pad"] == "P95 1.23 mm; 98.5 % of 100 frames accepted"
    assert "band" not in rows
    assert rate_rows({}) == []


def test_candidates_are_rows_with_the_chosen_one_marked() -> None:
    """A candidate that could not be made integer has no figures; the mean is that of clean, foam and film."""
    one = {"size": "12-6", "bits": 16, "watcher": [8, 6], "watched": ["shares", "unrest"], "meets": True, "cost": {"flash": 2000, "cycles": 7000},
           "classes": {"clean": [1.0, 0.99], "foam": [3.0, 0.9], "all": [2.0, 0.95]}}  # fmt: skip
    other = {"size": "8", "bits": 8, "watcher": [6], "watched": ["shares"], "meets": False, "cost": None, "classes": {}, "refused": "too wide"}
    rows = candidate_rows({"candidates": [one, other], "chosen": dict(one)})
    assert rows[0] == ("12-6", 16, "8-6 unrest", 2.0, 1.0, 3.0, None, 95.0, 2000, 7000, "yes", "chosen")
    assert rows[1] == ("8", 8, "6", *[None] * 7, "refused", "")
    assert len(rows[0]) == len(CANDIDATE_COLUMNS)


def test_the_optimism_of_random_rows_is_said_only_beside_a_proof() -> None:
    assert random_rows_sentence({"prove": None, "random_rows": None}) == ""
    said = random_rows_sentence({"prove": {"integer": {"p95_abs_mm": 3.333}}, "random_rows": {"integer": {"p95_abs_mm": 1.0}}})
    assert "P95 of 1 mm" in said
    assert "against 3.33 mm" in said
