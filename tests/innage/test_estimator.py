"""The integer estimators, by scikit-learn's own checks and by the programs they stand for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.model_selection import GroupKFold, cross_val_score
from sklearn.utils.estimator_checks import parametrize_with_checks

import innage
from training.program import LEVEL_UNITS_PER_MM


@parametrize_with_checks([innage.IntegerLevelRegressor("line")])  # type: ignore[untyped-decorator]  # of scikit-learn
def test_scikit_learn_checks(estimator: Any, check: Callable[[Any], None]) -> None:
    """None is left out, none expected to fail."""
    check(estimator)


@pytest.mark.slow
@parametrize_with_checks(  # type: ignore[untyped-decorator]  # of scikit-learn
    [
        innage.IntegerLevelRegressor("hinge"),
        innage.IntegerLevelRegressor("trees", size=4),
        innage.IntegerLevelRegressor("net", size=4),
    ]
)
def test_scikit_learn_checks_of_the_other_families(estimator: Any, check: Callable[[Any], None]) -> None:
    check(estimator)


def ramp(n: int = 200) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Made-up counts of two channels on a straight line from the level."""
    level = np.linspace(0, 100, n)
    return np.column_stack([1000 + 20 * level, 3000 + 10 * level]).round(), level


@pytest.mark.parametrize("family", ["line", "hinge", "trees", "net"])
def test_a_straight_line_is_learned_and_predictions_are_level_units(family: str) -> None:
    """On exact readings every family errs by less than 2 mm of 100, and a prediction is a whole number of the
    chip's units.
    """
    counts, level = ramp()
    found = innage.IntegerLevelRegressor(family).fit(counts, level).predict(counts)
    assert np.abs(found - level).max() < (2 if family != "trees" else 12)
    np.testing.assert_array_equal(found * LEVEL_UNITS_PER_MM, np.rint(found * LEVEL_UNITS_PER_MM))


def test_what_the_fit_has_not_seen_is_withheld_and_left_out_of_the_score() -> None:
    counts, level = ramp()
    half = innage.IntegerLevelRegressor("line").fit(counts[:100], level[:100])
    found = half.predict(counts)
    assert np.isnan(found[150:]).all()
    assert half.score(counts, level) > 0.99
    assert np.isnan(half.score(counts[150:], level[150:]))


def test_it_serves_in_cross_validation_and_is_blind_to_the_order_of_rows() -> None:
    counts, level = ramp()
    its = innage.IntegerLevelRegressor("hinge", size=4)
    assert cross_val_score(its, counts, level, groups=np.arange(200) % 5, cv=GroupKFold(5)).min() > 0.99
    draw = np.random.default_rng(0)
    noisy, mixed = counts + draw.integers(0, 30, counts.shape), draw.permutation(200)
    net = innage.IntegerLevelRegressor("net", size=8)
    one, two = clone(net).fit(noisy, level), clone(net).fit(noisy[mixed], level[mixed])
    assert one.program_ == two.program_
    np.testing.assert_array_equal(one.float_.levels(noisy), two.float_.levels(noisy))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"family": "forest"}, "family: 'forest'; expected one of line, hinge, trees, net"),
        ({"bits": 4}, "bits: 4; expected one of 8, 16"),
        ({"size": 1}, "size: 1; expected a whole number of at least 2"),
        ({"count_bits": 25}, "count_bits: 25; expected 1 to 24"),
        ({"count_law": "sideways"}, "count_law: 'sideways'; expected one of rises, falls"),
        ({"count_bits": 8}, "X, row 0, channel 0: 1000; expected a count from 0 to 255"),
    ],
)
def test_wrong_parameters_are_said_in_a_sentence(given: dict[str, Any], said: str) -> None:
    counts, level = ramp(20)
    with pytest.raises(innage.InputError) as refused:
        innage.IntegerLevelRegressor(**given).fit(counts, level)
    assert said in str(refused.value)


def test_groups_count_the_same_however_many_frames_they_have() -> None:
    """Two units that read 10 mm apart, one with nine times the frames of the other: the line lies in the
    middle.
    """
    counts, level = ramp(100)
    one, other = counts[:, :1], counts[:, :1] + 200  # 10 mm at 20 counts/mm
    x, y = np.vstack([*[one] * 9, other]), np.tile(level, 10)
    groups = np.repeat([0, 1], [900, 100])
    fitted = innage.IntegerLevelRegressor("line").fit(x, y, groups=groups)
    middle = (fitted.predict(one)[50] + fitted.predict(other)[50]) / 2
    assert middle == pytest.approx(level[50], abs=0.2)
    with pytest.raises(innage.InputError, match=r"groups: shape \(3,\)"):
        innage.IntegerLevelRegressor().fit(x, y, groups=[1, 2, 3])


def test_a_program_without_its_channels_is_refused() -> None:
    counts, level = ramp(50)
    program = innage.IntegerLevelRegressor("line").fit(counts, level).program_
    its = innage.ProgramRegressor(program)
    np.testing.assert_array_equal(
        its.fit(counts).predict(counts),
        innage.IntegerLevelRegressor("line").fit(counts, level).predict(counts),
    )
    with pytest.raises(innage.InputError, match="1 column; expected 2"):
        its.fit(counts[:, :1])
    with pytest.raises(innage.InputError, match="program: none"):
        innage.ProgramRegressor().fit(counts)
