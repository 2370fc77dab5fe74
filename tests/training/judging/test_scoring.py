"""Scores and answers to limits, against figures worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from dataset.records import METRICS, Limit, Limits
from training.judging.answers import answer_scores, meets_scores
from training.judging.figures import Beyond, Prove, Score
from training.judging.scoring import Answers, beyond, by_group, score, tidy

LABEL = np.asarray([10.0, 10.0, 10.0, 20.0, 20.0, 30.0])
ANSWERS = Answers(
    label_mm=LABEL,
    group=np.asarray([0, 0, 0, 1, 1, 2]),
    level_mm=LABEL + np.asarray([1.0, -1.0, 1.0, 3.0, 99.0, 5.0]),
    float_mm=LABEL,
    accepted=np.asarray([True, True, True, True, False, True]),
    inside=np.asarray([True, True, True, True, True, False]),
)


def test_groups_weigh_the_same() -> None:
    """Three frames 1 mm off and one 3 mm off are sqrt((1 + 9) / 2) by group, not sqrt((3 + 9) / 4) by frame;
    one of five is withheld.
    """
    found = score(ANSWERS, ANSWERS.level_mm)
    assert found.rmse_mm == pytest.approx(np.sqrt(5), rel=1e-5)
    assert found.worst_group_rmse_mm == 3
    assert found.p95_abs_mm == pytest.approx(2.7)
    assert found.withheld_share == pytest.approx(0.2)
    assert (found.groups, found.frames, found.groups_without_reading) == (2, 5, 0)


def test_nothing_accepted_gives_no_error() -> None:
    """A model that withholds everything has no error to boast of, and meets no limit on it."""
    none = Answers(LABEL, ANSWERS.group, LABEL, LABEL, np.zeros(6, dtype=np.bool_), ANSWERS.inside)
    found = score(none, none.level_mm)
    assert (found.rmse_mm, found.withheld_share) == (None, 1)
    assert meets_scores(Limits("l", 1, (Limit("rmse_mm", 5.0),)), found) is False


def test_beyond_counts_labels_outside_the_fit() -> None:
    """Frames beyond the fit labels are counted apart, with the share that came out accepted."""
    assert beyond(ANSWERS) == Beyond(frames=1, accepted_share=1.0, groups=1)


def test_each_group_has_its_row() -> None:
    """A group's bias keeps its sign; a group beyond the labels has no error."""
    rows = by_group(ANSWERS, {0: "a", 1: "b", 2: "c"})
    assert [(r.group, r.frames, r.accepted, r.bias_mm) for r in rows] == [
        ("a", 3, 3, 0.333333),
        ("b", 2, 1, 3.0),
        ("c", 1, 1, None),
    ]


def test_figures_have_six_digits() -> None:
    """Figures are cut to six significant digits, so that their text is stable."""
    assert tidy(1234.5678912) == 1234.57
    assert tidy(0.00012345678) == 0.000123457


SCORE = Score(
    rmse_mm=0.8,
    worst_group_rmse_mm=1.5,
    p95_abs_mm=1.0,
    withheld_share=0.0,
    groups=9,
    groups_without_reading=0,
    frames=90,
)
PROVE = Prove(SCORE, SCORE, (), beyond=Beyond(frames=11, accepted_share=0.0, groups=1))


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        (Limit("rmse_mm", 0.8), "met"),
        (Limit("rmse_mm", 0.79), "not met"),
        (Limit("rmse_mm", 0.79, min_groups=10), "not met"),
        (Limit("rmse_mm", 0.8, min_groups=10), "not enough evidence"),
        (Limit("rmse_mm", 0.9, condition="foam"), "not enough evidence"),
        (Limit("rmse_mm", 0.9, confidence=0.95), "not enough evidence"),
        (Limit("rmse_mm", 0.7, confidence=0.95), "not met"),
        (Limit("worst_group_rmse_mm", 1.6, min_groups=9), "met"),
        (Limit("beyond_accepted_share", 0.0), "met"),
        (Limit("beyond_accepted_share", 0.0, min_groups=2), "not enough evidence"),
    ],
)
def test_limits_are_answered(limit: Limit, said: str) -> None:
    """Met only when the value was measured on enough groups under the limit's own condition; a reason stands
    beside each answer.
    """
    (row,) = answer_scores(Limits("l", 1, (limit,)), PROVE)
    assert row.answer == said
    assert row.reason
    assert limit.condition == "all" or limit.condition in row.reason


def test_nothing_proved_shows_nothing() -> None:
    """Without prove groups every limit lacks evidence; with them, all but the metrics that only pad
    arrays have figures for.
    """
    limits = Limits("l", 1, tuple(Limit(metric, 9.0) for metric in METRICS))
    assert {row.answer for row in answer_scores(limits, None)} == {"not enough evidence"}
    everywhere = {"rmse_mm", "worst_group_rmse_mm", "p95_abs_mm", "withheld_share", "beyond_accepted_share"}
    found = {row.metric: row.answer for row in answer_scores(limits, PROVE)}
    assert found == {metric: "met" if metric in everywhere else "not enough evidence" for metric in METRICS}
