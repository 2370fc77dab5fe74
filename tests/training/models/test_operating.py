"""Thresholds of doubt: what is withheld is what the shares asked for leave room for, class by class and group
by group; on made-up scores.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from training.models.operating import Operating, Scores, accepted, find_operating
from training.models.watch import ONE, States

SPAN_MM, ROWS = 100.0, 400
SHARES = {"clean": 0.9, "foam": 0.8, "film": 0.6}


def scores(doubt: np.ndarray, foam: np.ndarray, film: np.ndarray, foam_mm: float = 50.0) -> Scores:
    """Half-full tanks whose watcher knows foam and film."""
    n = len(doubt)
    level, none = np.full(n, 50.0), np.zeros(n, np.int64)
    return Scores(level, np.full(n, foam_mm), doubt, none, foam * ONE, film * ONE, none + 4000, none)


def states(foam: np.ndarray, film: np.ndarray) -> States:
    none = np.zeros(len(foam), np.bool_)
    return States(foam=foam == 1, film=film == 1, empty=none, dry=none, clean=(foam == 0) & (film == 0))


def found(its: Scores, group: np.ndarray, shares: dict[str, float] = SHARES) -> Operating:
    return find_operating(its, its.plain_mm, states(its.foam // ONE, its.film // ONE), group, SPAN_MM, shares)


@pytest.fixture
def three() -> Scores:
    """As many clean, foam and film rows, each with doubts 0, 1, 2, ..."""
    what = np.repeat([0, 1, 2], ROWS)
    return scores(np.tile(np.arange(ROWS), 3), (what == 1).astype(np.int64), (what == 2).astype(np.int64))


def test_each_class_gives_its_own_share(three: Scores) -> None:
    """A quarter of what may be withheld is kept back: 0.925, 0.85 and 0.7 of the rows are given, whatever the
    others are.
    """
    given = accepted(three, found(three, np.zeros(3 * ROWS, np.int64))).reshape(3, ROWS).mean(axis=1)
    assert given == pytest.approx([0.925, 0.85, 0.7], abs=0.01)


def test_no_group_is_given_less_than_its_share() -> None:
    """All the doubt of the foam lies on one group of two: its rows are given the share asked for, though both
    together would have it long before.
    """
    foam = np.repeat([0, 1], ROWS)
    group = np.tile(np.repeat([0, 1], ROWS // 2), 2)
    doubt = np.tile(np.concatenate([np.zeros(ROWS // 2, np.int64), np.arange(ROWS // 2) + 100]), 2)
    its = scores(doubt, foam, np.zeros_like(foam))
    given = accepted(its, found(its, group))
    assert given[(foam == 1) & (group == 1)].mean() == pytest.approx(0.8, abs=0.02)
    assert given[(foam == 1) & (group == 0)].all()
    alone = accepted(its, found(its, np.zeros_like(group)))
    assert alone[(foam == 1) & (group == 1)].mean() == pytest.approx(0.7, abs=0.02)


def test_levels_of_two_nets_are_mixed_by_the_foam_score() -> None:
    """No foam: the plain level; a score of a quarter: a quarter of the way; beyond one: the level under foam.
    By hand, in 1/64 mm.
    """
    its = scores(np.zeros(4, np.int64), np.zeros(4, np.int64), np.zeros(4, np.int64), foam_mm=30.0)
    mixed = Scores(
        its.plain_mm,
        its.foam_mm,
        its.doubt,
        its.strange,
        np.array([-200, 0, ONE // 4, 3 * ONE]),
        its.film,
        its.wettest,
        its.driest,
    )
    assert mixed.level_mm().tolist() == [50.0, 50.0, 45.0, 30.0]


def test_false_foam_takes_a_third_of_what_may_be_withheld_of_clean_rows() -> None:
    """Of 2000 clean rows, 38 look like foam and are doubted more than any foam. Of clean ones 2 % may be
    withheld, a quarter of which is kept back: 30 rows, 10 of them by the threshold under foam.
    """
    clean, wrong = 2000, 38
    truth = np.repeat([0, 1], [clean, ROWS])
    called = truth.copy()
    called[:wrong] = 1
    doubt = np.concatenate([1000 + np.arange(wrong), np.zeros(clean - wrong, np.int64), np.arange(ROWS)])
    its, none = scores(doubt, called, np.zeros_like(called)), np.zeros_like(called)
    at = find_operating(
        its, its.plain_mm, states(truth, none), none, SPAN_MM, {"clean": 0.98, "foam": 0.5, "film": 0.5}
    )
    withheld = ~accepted(its, at)
    # thresholds lie on four hundredths of all rows' doubts, so that the last few rows may be one step short
    assert 0 < withheld[:wrong].sum() <= 10
    assert not withheld[wrong:clean].any()


@pytest.mark.parametrize(("usual", "share", "expected"), [(0, 0.0, 0.5), (0.7, 0.0, 0.7), (0.1, 0.01, 0.95)])
def test_strange_frames_are_found_although_a_few_clean_ones_look_strange(
    three: Scores, usual: float, share: float, expected: float
) -> None:
    """Above all but a thousandth of the clean frames, from a half up; never where what is made up would pass
    no more.
    """
    strange = np.full(3 * ROWS, round(usual * ONE))
    strange[: round(share * ROWS)] = ONE
    at = found(replace(three, strange=strange), np.zeros(3 * ROWS, np.int64))
    assert at.strange_above / ONE == pytest.approx(expected, abs=0.002)


def test_foam_is_flagged_by_what_unseen_groups_show_too(three: Scores) -> None:
    """The mean over groups of the score that a fiftieth of the clean frames exceed: two chosen ones at 0.1
    and 0.3, two unseen at 0.6 and 0.8.
    """
    group = np.tile(np.repeat([0, 1], ROWS // 2), 3)
    foam = np.where(np.repeat([0, 1, 0], ROWS) == 1, ONE, np.where(group == 1, 300, 100))
    its = replace(three, foam=foam)
    truth = np.repeat([0, 1, 2], ROWS)
    stated = states((truth == 1).astype(np.int64), (truth == 2).astype(np.int64))
    at = find_operating(its, its.plain_mm, stated, group, SPAN_MM, SHARES, (600, 800))
    assert at.foam_above == 450
