"""Scores against figures worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from training.judging.figures import Beyond
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
    """A model that withholds everything has no error to boast of."""
    none = Answers(LABEL, ANSWERS.group, LABEL, LABEL, np.zeros(6, dtype=np.bool_), ANSWERS.inside)
    found = score(none, none.level_mm)
    assert (found.rmse_mm, found.withheld_share) == (None, 1)


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
