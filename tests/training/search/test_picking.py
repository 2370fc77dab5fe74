"""Which candidate a search picks, and how sure that is, on candidates with made-up figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from unittest.mock import Mock

import numpy as np
import pytest

from dataset.records import Limit, Limits
from training.judging.figures import ClassFigures, Episodes, Figures, Score
from training.models.assemble import Parts
from training.models.nets import Net
from training.models.operating import nothing_withheld
from training.program import Builder
from training.search.array_recipes import ALL, MOVING, ArrayRecipe
from training.search.arrays import ArrayCandidate
from training.search.candidates import ByGroup
from training.search.nets.fitting import FeatureTable
from training.search.picking import against_next, pick, sureness

RECIPE = ArrayRecipe((8,), 8, (6,), ALL, True, "full", MOVING, (8,), steps=40)
SCORE = Score(1.0, 1.0, 1.0, 0.0, 1, 0, 1)


def candidate(
    error: float, wrong: int = 0, *, nodes: int = 0, groups: Sequence[float] = ()
) -> ArrayCandidate:
    """One of so many more nodes of program, with an error and errors of groups in mm, and false wets."""
    classes = {"clean": ClassFigures(1, len(groups), 1.0, p95_mm=error)}
    program = Builder("m", 8, 1, 100, 64)
    zero = program.const(0)
    for _ in range(nodes):
        zero = program.node("add", zero, zero)
    made = program.finish(low=zero, level=zero, high=zero, validity=zero, flags=zero)
    figures = Figures(classes=classes, span_mm=100.0, false_wet=Episodes(2, wrong, wrong, None))
    parts, at, table = Mock(spec=Parts), nothing_withheld(), Mock(spec=FeatureTable)
    each = np.asarray(groups, np.float64)
    by = ByGroup(tuple("abcdef"[: len(each)]), {"clean": each}, {"clean": np.ones(len(each))})
    return ArrayCandidate(
        RECIPE, made, SCORE, None, figures, parts, at, Net(()), table, meets=False, groups=by
    )


def test_how_sure_a_limit_is_is_the_chance_that_new_groups_keep_it() -> None:
    """By hand: groups 1, 2 and 3 mm spread by 1 mm; the mean of three new ones differs from theirs by
    sqrt(1/3 + 1/3) = 0.816 mm. A bound at the mean is kept by half; one 1.089 * 0.816 mm above it by 0.805:
    Student's t of two degrees of freedom is 1/2 + t / (2 sqrt(2 + t^2)).
    """
    one = candidate(2.0, groups=(1.0, 2.0, 3.0))
    for bound, chance in ((2.0, 0.5), (2.0 + 1.089 * 0.8165, 0.5 + 1.089 / (2 * (2 + 1.089**2) ** 0.5))):
        limits = Limits("l", 1, (Limit("p95_abs_mm", bound, "clean"), Limit("false_wet_episodes", 0.0)))
        assert sureness(one, limits, 3) == pytest.approx(chance, abs=1e-4)
        rows = Limit("p95_pct_span", bound, "clean"), Limit("withheld_share", 0.1, "clean")
        of_span = Limits("l", 1, rows)
        assert sureness(one, of_span, 3) == pytest.approx(chance, abs=1e-4)  # the tank is 100 mm high
    assert sureness(one, None, 3) is None
    assert sureness(candidate(2.0, groups=(2.0,)), limits, 3) is None


def test_a_larger_candidate_is_picked_where_the_smaller_meets_the_limits_by_luck() -> None:
    """The mean of the small one's groups is within 5 mm, one group far beyond it; of two that are as sure the
    smaller is taken.
    """
    limits = Limits("l", 1, (Limit("p95_abs_mm", 5.0, "clean"),))
    small, middle, large = (
        replace(one, meets=True, sure=sureness(one, limits, 3))
        for one in (
            candidate(4.8, groups=(2.0, 3.0, 9.4)),
            candidate(3.0, nodes=3, groups=(2.9, 3.0, 3.1)),
            candidate(2.0, nodes=6, groups=(1.9, 2.0, 2.1)),
        )
    )
    picked, why = pick([small, middle, large], limits)
    assert picked is middle
    assert "of the 2 of them whose chance is at most 5 points below the best" in why
    assert pick([replace(small, sure=middle.sure), middle, large], limits)[0].error == small.error
    beside = against_next([small, middle, large], middle, limits)
    assert beside is not None
    assert beside.difference_mm == pytest.approx(1.0)


def test_beside_the_next_groups_are_compared_in_pairs() -> None:
    """Differences of 1, 2 and 3 mm: 2 mm, give or take 4.303 (Student's t table, 2 degrees of freedom, 95 %)
    of 1 / sqrt(3) mm.
    """
    one, other = candidate(7.0, groups=(6.0, 9.0, 6.0)), candidate(5.0, groups=(5.0, 7.0, 3.0))
    found = against_next([one, other], one, None)
    assert found is not None
    assert (found.difference_mm, found.groups) == (2.0, 3)
    assert [found.low_mm, found.high_mm] == pytest.approx([2 - 4.303 / 3**0.5, 2 + 4.303 / 3**0.5], abs=1e-3)
    assert against_next([one], one, None) is None


def test_without_limits_a_smaller_one_is_taken_that_is_not_surely_worse() -> None:
    """Errors larger by half on the mean, by one group alone: the smaller; by as much on each group: not."""
    large = candidate(2.0, nodes=6, groups=(2.0, 2.0, 2.0))
    lucky = candidate(3.0, groups=(1.9, 2.0, 5.0))
    worse = candidate(3.0, groups=(3.0, 3.1, 2.9))
    assert pick([lucky, large], None)[0] is lucky
    assert pick([worse, large], None)[0] is large


def test_fewer_false_wets_come_before_a_smaller_error() -> None:
    """With limits that none meets and without any: the candidate that read no empty tank as wet, though its
    error is the larger.
    """
    safe, near = candidate(3.0, 0), candidate(1.0, 2)
    assert pick([near, safe], None)[0] is safe
    assert pick([near, safe], Limits("l", 1, (Limit("p95_mm", 0.1),)))[0] is safe
