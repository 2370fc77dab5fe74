"""Comparing two models on hand-made answers whose differences are known beforehand; all numbers invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from dataset.records import Limit, Limits
from training.judging.categorical import Categorical
from training.judging.comparing import bootstrap_interval, compare, worst_rmse
from training.judging.figures import Interval
from training.judging.judged import Judged
from training.models.watch import States

GROUPS, SESSIONS, FRAMES = 6, 3, 20  # sessions a group, frames a session


def answers(error_mm: np.ndarray[tuple[int], np.dtype[np.float64]] | float) -> Judged:
    """Clean frames of six units between 5 and 95 mm of a span of 100, every reading off by ``error_mm``."""
    n = GROUPS * SESSIONS * FRAMES
    label = np.tile(np.linspace(5.0, 95.0, FRAMES), GROUPS * SESSIONS)
    no, session = np.zeros(n, np.bool_), np.repeat(np.arange(GROUPS * SESSIONS), FRAMES)
    group = np.asarray([f"u{k}" for k in range(GROUPS)])[session // SESSIONS]
    band = np.asarray([f"{int(v // 10) * 10} to {int(v // 10) * 10 + 10} %" for v in label])
    places = {
        "unit": group,
        "group": group,
        "session": np.char.add("s", session.astype(str)),
        "liquid": np.full(n, "water"),
        "coupling": np.full(n, "floating"),
        "flow": np.full(n, "static"),
        "temperature": np.full(n, "20 to 30"),
        "level band": band,
    }
    zero = np.zeros(n, np.int64)
    level = label + error_mm
    return Judged(
        label,
        np.full(n, 0.3),
        np.zeros(n),
        level,
        np.full(n, 100.0),
        zero + 1,
        zero,
        np.tile(np.arange(FRAMES) * 100, GROUPS * SESSIONS),
        np.tile(np.arange(FRAMES), GROUPS * SESSIONS),
        States(no, no, no, no, ~no),
        {what: Categorical.of(names.tolist()) for what, names in places.items()},
        100.0,
    )


def test_a_model_that_is_worse_everywhere_loses_by_the_known_difference() -> None:
    limits = Limits("l", 1, (Limit("p95_abs_mm", 1.5, "clean"), Limit("max_abs_mm", 5.0, "clean")))
    found = compare(answers(-1.0), answers(3.0), limits)
    assert found.classes["clean"].error_mm == Interval(2.0, 2.0, 2.0)
    assert [row.second.answer for row in found.limits] == ["not met", "met"]
    assert len(found.losses) == 2
    assert "p95_abs_mm of clean" in found.losses[0]
    assert "errors larger by 2 mm" in found.losses[1]
    assert found.gains == ()
    turned = compare(answers(3.0), answers(-1.0), limits)
    assert (turned.losses, turned.gains) == ((), found.losses)


def test_levels_beyond_the_fit_and_places_that_a_limit_names_decide() -> None:
    """The second gives levels beyond those that it was fitted on, and errs more in the one liquid that a
    limit names; both bounds invented.
    """
    limits = Limits("l", 1, (Limit("beyond_accepted_share", 0.0), Limit("p95_abs_mm", 9.0, "water")))
    first, second = (replace(answers(error), known_mm=(0.0, 60.0)) for error in (1.0, 1.5))
    first.validity[first.label_mm > 60] = 0
    found = compare(first, second, limits)
    assert [(row.first.answer, row.second.answer) for row in found.limits] == [
        ("met", "not met"),
        ("met", "met"),
    ]
    assert "beyond_accepted_share of all at 0" in found.losses[0]
    assert "water: errors larger by 0.5 mm" in found.losses[-1]


def test_a_limit_without_enough_evidence_any_more_is_lost() -> None:
    """A model that withholds everything has no error to hold against a bound."""
    mute = replace(answers(0.0), validity=np.zeros(GROUPS * SESSIONS * FRAMES, np.int64))
    assert (
        "p95_abs_mm of clean at 1.5"
        in compare(answers(1.0), mute, Limits("l", 1, (Limit("p95_abs_mm", 1.5, "clean"),))).losses[0]
    )


def test_a_class_that_no_limit_names_does_not_decide() -> None:
    found = compare(answers(1.0), answers(1.2), Limits("l", 1, (Limit("p95_abs_mm", 1.5, "foam"),)))
    assert found.classes["clean"].error_mm.low == pytest.approx(0.2)
    assert found.losses == ()


def test_a_class_that_too_few_groups_or_none_have_is_left_open() -> None:
    """Only those that a limit names; a model that accepts nothing leaves nothing to compare."""
    limits = Limits("l", 1, (Limit("p95_abs_mm", 9.0, "foam"), Limit("p95_abs_mm", 9.0, "clean")))
    assert compare(answers(1.0), answers(1.0), limits).undecided == ("foam: not captured",)
    mute = replace(answers(0.0), validity=np.zeros(GROUPS * SESSIONS * FRAMES, np.int64))
    assert compare(mute, answers(1.0), limits).undecided == (
        "clean: fewer than 3 groups with frames that both accept; an interval needs 3",
        "foam: not captured",
    )


def test_withholding_hard_frames_does_not_make_a_model_better() -> None:
    first = answers(1.0)
    hard = first.label_mm > 60
    second = replace(first, validity=np.where(hard, 0, 1), level_mm=np.where(hard, np.nan, first.level_mm))
    found = compare(first, second, None)
    everything = found.classes["all"]
    assert everything.error_mm.value == 0
    assert everything.both_accepted == int((~hard).sum())
    assert everything.accepted_share.value == pytest.approx(-hard.mean())
    assert found.losses[0].startswith("all: accepts 40 percentage points fewer frames")


def test_a_cell_shows_where_the_worse_model_is_worse() -> None:
    first = answers(1.0)
    low = first.label_mm < 10
    found = compare(first, replace(first, level_mm=first.level_mm + np.where(low, 2.0, 0.0)), None)
    assert [c.level_band for c in found.cells if c.difference_mm] == ["0 to 10 %"]
    assert found.cells[0].to_json() == {
        "class": "clean",
        "liquid": "water",
        "level band": "0 to 10 %",
        "frames": int(low.sum()),
        "groups": 6,
        "first_mm": 1.0,
        "second_mm": 3.0,
        "difference_mm": 2.0,
    }


def test_the_interval_is_about_the_spread_between_groups() -> None:
    """Groups that differ by chance alone: the half-width is near the normal one, 1.96 sd / root n (textbook
    formula), for many groups.
    """
    rng = np.random.default_rng(5)
    n, sessions = 200, 4
    values = np.repeat(rng.normal(0.0, 1.0, n), sessions)
    found = bootstrap_interval(values, np.arange(n * sessions), np.repeat(np.arange(n), sessions))
    width = norm.ppf(0.975) * values.std() / np.sqrt(n)
    assert found.low is not None
    assert found.high is not None
    assert found.high - found.low == pytest.approx(2 * width, rel=0.1)


def test_a_large_session_weighs_no_more_than_a_small_one() -> None:
    values = np.asarray([1.0] * 90 + [3.0] * 10)
    session = np.asarray([0] * 90 + [1] * 10)
    assert bootstrap_interval(values, session, np.zeros(100, np.int64)) == Interval(2.0)


def test_the_worst_group_is_the_one_that_errs_most() -> None:
    off = np.repeat(np.asarray([1.0, 1.0, 4.0, 1.0, 1.0, 1.0]), SESSIONS * FRAMES)
    assert worst_rmse(answers(off)) == 4.0


def test_models_judged_on_other_frames_are_not_compared() -> None:
    first = answers(1.0)
    with pytest.raises(ValueError, match="different rows"):
        compare(first, replace(first, frame=first.frame + 1), None)


def test_a_difference_turned_round_swaps_its_ends() -> None:
    """From 1 to 4 more is from 4 to 1 less; what is not known stays so."""
    assert Interval(2.0, 1.0, 4.0).turned() == Interval(-2.0, -4.0, -1.0)
    assert Interval(2.0).turned() == Interval(-2.0)
