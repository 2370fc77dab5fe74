"""Limits answered from figures made by hand; all numbers invented but the confidences, whose source stands
beside them.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from dataset.records import METRICS, Limit, Limits
from training.judging.answers import answer_limits, meets_limits
from training.judging.figures import (
    BandFigures,
    Beyond,
    ClassFigures,
    Episodes,
    Figures,
    PowerOn,
    WorstGroup,
)

CLEAN = ClassFigures(
    groups=9,
    frames=900,
    accepted_share=0.98,
    p95_mm=0.9,
    p95_pct=1.5,
    rmse_mm=0.4,
    worst=WorstGroup(withheld_share=0.06, p95_mm=1.1, rmse_mm=0.5, p50_mm=0.3, max_mm=4.0),
)
EMPTY = ClassFigures(frames=90, groups=9, accepted_share=1.0)
COLD = PowerOn(
    starts=20,
    withheld_anyway=5,
    none=0,
    restarts=0,
    window_s=30.0,
    wait_p50_s=0.1,
    wait_p95_s=0.4,
    wait_max_s=0.4,
    settling_frames=128,
    as_warm_share=1.0,
    apart_mm=0.0,
)
FIGURES = Figures(
    classes={"clean": CLEAN, "all": CLEAN, "empty": EMPTY, "dry": EMPTY},
    by={"liquid": {"water": CLEAN}, "zone": {"lowest pad": CLEAN}},
    span_mm=60.0,
    false_wet=Episodes(episodes=40, wrong=0, frames=0, upper_bound_95=None),
    false_dry=Episodes(episodes=10, wrong=1, frames=1, upper_bound_95=None),
    dry_recognised_share=0.995,
    dry_recognised_least=0.98,
    band=BandFigures(covered_share=0.93, worst_group_share=0.85, width_mm=2.0),
    longest_wrong_s=2.0,
    longest_withheld_s=9.0,
    worst_group_rmse_mm=0.5,
    power_on=COLD,
    beyond=Beyond(frames=50, groups=2, accepted_share=0.25),
)


def said(limit: Limit, figures: Figures = FIGURES) -> tuple[str, str]:
    (row,) = answer_limits(Limits("l", 1, (limit,)), figures)
    return row.answer, row.reason


@pytest.mark.parametrize(
    ("limit", "answer"),
    [
        (Limit("p95_pct_span", 1.0, "clean"), "not met"),
        (Limit("p95_pct_span", 1.0, "clean", or_mm=1.0), "met"),  # 1 mm of 60 mm is 1.67 %
        (Limit("p95_pct_span", 1.0, "clean", or_mm=0.8), "not met"),
        (Limit("p95_pct_span", 1.6, "clean", or_mm=0.1), "met"),
        (Limit("false_dry_share", 0.1), "met"),
        (Limit("false_dry_share", 0.09), "not met"),
        (Limit("band_missed_share", 0.1), "met"),
        (Limit("dry_missed_share", 0.01), "met"),
        (Limit("dry_missed_share", 0.004), "not met"),
        (Limit("longest_wrong_s", 1.9), "not met"),
        (Limit("longest_withheld_s", 9.0), "met"),
        (Limit("longest_withheld_s", 9.0, "clean"), "not enough evidence"),
        (Limit("first_reading_s", 0.4), "met"),
        (Limit("first_reading_s", 0.3), "not met"),
        (Limit("beyond_accepted_share", 0.2), "not met"),
        (Limit("beyond_accepted_share", 0.3, min_groups=3), "not enough evidence"),
        (Limit("withheld_share", 0.03, "water"), "met"),
        (Limit("p95_pct_span", 1.4, "lowest-pad"), "not met"),
        (Limit("p95_pct_span", 2.5, "lowest-pad"), "met"),
        (Limit("withheld_share", 0.01, "lowest-pad"), "not met"),
        (Limit("p95_pct_span", 2.5, "above-the-lowest-pad"), "not enough evidence"),
    ],
)
def test_what_each_metric_bounds(limit: Limit, answer: str) -> None:
    assert said(limit)[0] == answer
    if answer != "not enough evidence":
        assert meets_limits(Limits("l", 1, (limit,)), FIGURES) is (answer == "met")


@pytest.mark.parametrize(
    ("limit", "answer"),
    [
        (Limit("p95_abs_mm", 0.05, "clean", min_groups=20), "not met"),
        (Limit("p95_abs_mm", 1.0, "clean", 0.9, min_groups=20), "not met"),  # by the worst group, 1.1
        (Limit("p95_abs_mm", 1.1, "clean", 0.9, min_groups=20), "not enough evidence"),
        (Limit("p95_abs_mm", 1.0, "clean", min_groups=20), "not enough evidence"),
        (Limit("beyond_accepted_share", 0.2, min_groups=3), "not met"),
    ],
)
def test_a_value_beyond_its_bound_is_not_met_on_however_few_groups(limit: Limit, answer: str) -> None:
    """Too few groups excuse no value that is known to be too large; they only withhold praise."""
    assert said(limit)[0] == answer
    assert answer == "not met" or f"the limit asks for {limit.min_groups}" in said(limit)[1]


@pytest.mark.parametrize(
    ("limit", "answer"),
    [
        (Limit("p95_abs_mm", 1.1, "clean", 0.9), "met"),
        (Limit("p95_abs_mm", 1.0, "clean", 0.9), "not met"),
        (Limit("p95_abs_mm", 1.1, "clean", 0.95), "not enough evidence"),
        (Limit("p95_pct_span", 1.6, "clean", 0.9), "not met"),
        (Limit("p95_pct_span", 1.6, "clean", 0.9, or_mm=1.2), "met"),
        (Limit("withheld_share", 0.05, "clean", 0.9), "not met"),
        (Limit("dry_missed_share", 0.02, "all", 0.9), "met"),
        (Limit("dry_missed_share", 0.01, "all", 0.9), "not met"),
        (Limit("band_missed_share", 0.1, "all", 0.9), "not met"),
        (Limit("worst_group_rmse_mm", 0.5, "all", 0.9), "met"),
        (Limit("worst_group_rmse_mm", 0.5, "all", 0.95), "not enough evidence"),
        (Limit("false_wet_episodes", 0.0, "all", 0.9), "not enough evidence"),
    ],
)
def test_the_worst_of_nine_groups_bounds_a_tenth_at_90_per_cent(limit: Limit, answer: str) -> None:
    """The largest of n exchangeable scores bounds a further one with probability n / (n + 1): 9 for 90 %, 19
    for 95 % (Vovk, Gammerman, Shafer 2005).
    """
    assert said(limit)[0] == answer


@pytest.mark.parametrize(("episodes", "answer"), [(58, "not enough evidence"), (59, "met")])
def test_a_rate_of_episodes_is_answered_by_its_bound(episodes: int, answer: str) -> None:
    """Nothing wrong in 59 shows a rate below 5 % at 95 %: 0.95**59 < 0.05 < 0.95**58 (Clopper and Pearson,
    Biometrika 26 (1934) 404).
    """
    assert 0.95**59 < 0.05 < 0.95**58
    found = said(
        Limit("false_wet_share", 0.05, "all", 0.95),
        replace(FIGURES, false_wet=Episodes(episodes=episodes, wrong=0, frames=0, upper_bound_95=None)),
    )
    assert found[0] == answer
    assert f"0 of {episodes} episodes wrong" in found[1]


def test_of_a_model_that_calls_none_empty_no_share_is_measured() -> None:
    """Dry frames that no reading could name as empty say nothing of how often that goes wrong."""
    none = replace(FIGURES, dry_recognised_share=None, dry_recognised_least=None)
    answer, reason = said(Limit("dry_missed_share", 0.004), none)
    assert (answer, "never calls a tank empty" in reason) == ("not enough evidence", True)


def test_a_start_without_a_reading_meets_no_bound() -> None:
    never = replace(FIGURES, power_on=replace(COLD, wait_p95_s=None))
    (row,) = answer_limits(Limits("l", 1, (Limit("first_reading_s", 1000.0),)), never)
    assert (row.answer, row.value) == ("not met", None)
    assert said(Limit("first_reading_s", 1.0), replace(FIGURES, power_on=None))[0] == "not enough evidence"


@pytest.mark.parametrize(
    "limit",
    [
        Limit("p95_abs_mm", 1.1, "clean", 0.9),
        Limit("dry_missed_share", 0.02, "all", 0.9),
        Limit("worst_group_rmse_mm", 0.5, "all", 0.9),
    ],
)
def test_temperature_bands_bound_no_further_one(limit: Limit) -> None:
    """The bound is one for exchangeable groups (Vovk, Gammerman, Shafer 2005); bands that somebody chose are
    not. What is above the bound stays not met.
    """
    assert said(limit)[0] == "met"
    answer, reason = said(limit, replace(FIGURES, ordered=True))
    assert answer == "not enough evidence"
    assert "temperature bands are chosen, not drawn: 9 of them bound no other" in reason
    assert said(replace(limit, bound=1e-6), replace(FIGURES, ordered=True))[0] == "not met"
    assert said(replace(limit, confidence=None), replace(FIGURES, ordered=True))[0] == "met"


@pytest.mark.parametrize(
    "metric",
    ["rmse_mm", "p50_abs_mm", "p95_abs_mm", "max_abs_mm", "p95_pct_span", "worst_group_rmse_mm"],
)
def test_a_model_that_withholds_everything_meets_no_limit_on_an_error(metric: str) -> None:
    """It has no error to boast of; of a condition that nobody captured nothing is asked while choosing."""
    withheld = ClassFigures(frames=90, groups=9, accepted_share=0.0)
    nothing = replace(FIGURES, classes={"all": withheld}, worst_group_rmse_mm=None)
    assert meets_limits(Limits("l", 1, (Limit(metric, 1000.0),)), nothing) is False
    if metric != "worst_group_rmse_mm":
        assert meets_limits(Limits("l", 1, (Limit(metric, 1000.0, "foam"),)), nothing) is True


def test_nothing_proved_shows_nothing() -> None:
    """Without prove groups every limit lacks evidence; with them, none that bounds what was found."""
    limits = Limits("l", 1, tuple(Limit(metric, 1e6) for metric in METRICS))
    assert {row.answer for row in answer_limits(limits, None)} == {"not enough evidence"}
    assert {row.metric: row.answer for row in answer_limits(limits, FIGURES)} == {
        metric: "not enough evidence" if metric in ("p50_abs_mm", "max_abs_mm") else "met"
        for metric in METRICS
    }
