"""Thresholds: readings are withheld where that buys more than it costs, up to the shares asked for, and
levels that no pad bears out are; on made-up scores.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from training.models.operating import (
    Operating,
    Scores,
    UnseenRows,
    Wanted,
    accepted,
    false_wet,
    find_operating,
)
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


def found(
    its: Scores, group: np.ndarray, wanted: Wanted | None = None, error_mm: np.ndarray | None = None
) -> Operating:
    """The point for scores of rows whose levels are off by so much; the shares above without other wishes."""
    label = its.level_mm() + (0.0 if error_mm is None else error_mm)
    stated = states(its.foam // ONE, its.film // ONE)
    return find_operating(UnseenRows(its, label, stated, group), SPAN_MM, wanted or Wanted(SHARES))


@pytest.fixture
def three() -> Scores:
    """As many clean, foam and film rows, each with doubts 0, 1, 2, ..."""
    what = np.repeat([0, 1, 2], ROWS)
    return scores(np.tile(np.arange(ROWS), 3), (what == 1).astype(np.int64), (what == 2).astype(np.int64))


def test_a_doubt_that_tells_of_the_error_withholds_what_each_class_may(three: Scores) -> None:
    """Errors with the square of the doubt fall twice as fast as the readings that are given, so that each
    class keeps no more than its share and the quarter kept back: 0.925, 0.85 and 0.7, to a step of the
    thresholds tried.
    """
    error = (three.doubt / ROWS) ** 2
    at = found(three, np.zeros(3 * ROWS, np.int64), error_mm=error)
    given = accepted(three, at).reshape(3, ROWS).mean(axis=1)
    assert given == pytest.approx([0.925, 0.85, 0.7], abs=0.03)
    assert (given >= [0.925, 0.85, 0.7]).all()


def test_a_doubt_that_tells_nothing_withholds_nothing(three: Scores) -> None:
    """Errors of any size at any doubt: to withhold a part leaves the P95 where it was."""
    error = np.tile(np.resize([1.0, 7.0, 3.0, 2.0], ROWS), 3)
    at = found(three, np.zeros(3 * ROWS, np.int64), error_mm=error)
    assert accepted(three, at).all()


@pytest.mark.parametrize(("most_mm", "expected"), [(None, 1.0), (0.97, 0.93), (0.925, 1.0)])
def test_an_error_that_is_too_great_is_withheld_even_where_that_costs_more(
    three: Scores, most_mm: float | None, expected: float
) -> None:
    """Errors with the fourth root of the doubt fall slower than the readings. The P95 of clean ones is 0.987
    (0.95 ** 0.25) of the greatest with all given, and 0.968 with 0.925 of them; where neither is enough,
    nothing is withheld in vain.
    """
    error = (three.doubt / ROWS) ** 0.25
    bounds = {} if most_mm is None else {"clean": most_mm, "foam": 9.0, "film": 9.0}
    at = found(three, np.zeros(3 * ROWS, np.int64), Wanted(SHARES, bounds), error)
    assert accepted(three, at)[:ROWS].mean() == pytest.approx(expected, abs=0.03)


def test_of_two_groups_the_worse_keeps_the_share() -> None:
    """The mean of two shares less its standard error is the lesser one. All the doubt of the foam lies on one
    group: its rows are given the share asked for, though both together would have it long before.
    """
    foam = np.repeat([0, 1], ROWS)
    group = np.tile(np.repeat([0, 1], ROWS // 2), 2)
    doubt = np.tile(np.concatenate([np.zeros(ROWS // 2, np.int64), np.arange(ROWS // 2) + 100]), 2)
    its = scores(doubt, foam, np.zeros_like(foam))
    error = (doubt / ROWS) ** 4 * foam
    given = accepted(its, found(its, group, error_mm=error))
    assert given[(foam == 1) & (group == 1)].mean() == pytest.approx(0.85, abs=0.03)
    assert given[(foam == 1) & (group == 0)].all()
    alone = accepted(its, found(its, np.zeros_like(group), error_mm=error))
    assert alone[(foam == 1) & (group == 1)].mean() == pytest.approx(0.7, abs=0.03)


def test_a_level_that_no_pad_bears_out_is_withheld(three: Scores) -> None:
    """Drops in an empty tank are read as half full, though no pad shows a tenth of what liquid shows: no
    doubt is needed to withhold that. A pad as wet as liquid makes it bears the level out.
    """
    wettest = three.wettest.copy()
    wettest[:10] = 390
    its = replace(three, wettest=wettest)
    label, stated = its.plain_mm.copy(), states(its.foam // ONE, its.film // ONE)
    label[:10] = 0.0
    stated = replace(stated, empty=label == 0, clean=stated.clean & (label > 0))
    rows = UnseenRows(its, label, stated, np.zeros(3 * ROWS, np.int64))
    at = replace(find_operating(rows, SPAN_MM, Wanted(SHARES)), empty_below=100)
    assert 3500 < at.wet_least < 4000
    assert not accepted(its, at)[:10].any()
    assert accepted(its, at)[10:].all()
    blind = replace(at, wet_least=0)
    assert false_wet(its, blind, stated, SPAN_MM).sum() == 10
    assert not false_wet(its, at, stated, SPAN_MM).any()


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


def test_foam_is_flagged_by_what_each_group_shows(three: Scores) -> None:
    """The mean over groups of the score that a fiftieth of the clean frames exceed, 100, 300, 600 and 800,
    where that is more than what tells foam and others best apart, 300 here.
    """
    group = np.tile(np.repeat([0, 1, 2, 3], ROWS // 4), 3)
    foam = np.where(np.repeat([0, 1, 0], ROWS) == 1, 350, np.asarray([100, 300, 600, 800])[group])
    its = replace(three, foam=foam)
    truth = np.repeat([0, 1, 2], ROWS)
    stated = states((truth == 1).astype(np.int64), (truth == 2).astype(np.int64))
    at = find_operating(UnseenRows(its, its.plain_mm, stated, group), SPAN_MM, Wanted(SHARES))
    assert at.foam_above == 450
