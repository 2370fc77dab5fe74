"""Figures by class on answers made by hand; all numbers invented but the bounds, whose sources stand beside
them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from training.judging.categorical import Categorical
from training.judging.class_figures import episodes, errors, figures_of, joint, longest_s, runs
from training.judging.figures import Beyond, FlaggedErrors
from training.judging.judged import Judged
from training.models.watch import States
from training.program import FLAG_BITS
from training.rows import Mask

FRAMES = 10  # a session


def empties(sessions: int, level_mm: float = 0.0) -> Judged:
    """An empty tank of span 100 in every session, ten frames each a second apart, all accepted at
    ``level_mm``.
    """
    n = sessions * FRAMES
    no = np.zeros(n, np.bool_)
    session = Categorical.of([f"s{k:03d}" for k in range(sessions)], np.repeat(np.arange(sessions), FRAMES))
    zero, clock = np.zeros(n, np.int64), np.tile(np.arange(FRAMES), sessions)
    return Judged(
        np.zeros(n),
        np.full(n, 0.4),
        np.zeros(n),
        np.full(n, level_mm),
        np.full(n, 100.0),
        zero + 1,
        zero,
        clock * 1000,
        clock,
        States(no, no, ~no, ~no, no),
        {"session": session, "group": session, "flow": session},
        100.0,
    )


@pytest.mark.parametrize("n", [1, 20, 60])
def test_nothing_wrong_in_n_trials_bounds_the_rate(n: int) -> None:
    """The exact bound is 1 - 0.05^(1/n) (Clopper and Pearson, Biometrika 26 (1934) 404, with none wrong);
    about 3/n, the rule of three.
    """
    its = empties(n)
    found = episodes(its, its.states.empty, its.false_wet)
    assert (found.episodes, found.wrong) == (n, 0)
    assert found.upper_bound_95 == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-5)


def test_one_wrong_frame_makes_its_session_a_wrong_episode() -> None:
    its = empties(20)
    its.level_mm[[3, 7, 45]] = 6.0
    found = episodes(its, its.states.empty, its.false_wet)
    assert (found.episodes, found.wrong, found.frames) == (20, 2, 3)
    # the exact bound is where at most 2 wrong of 20 have a probability of 5 %: the binomial sum itself, by
    # hand
    p = found.upper_bound_95
    assert p is not None
    assert (1 - p) ** 20 + 20 * p * (1 - p) ** 19 + 190 * p**2 * (1 - p) ** 18 == pytest.approx(
        0.05, rel=1e-4
    )


def test_a_false_wet_begins_above_five_per_cent_of_the_span() -> None:
    assert not empties(1, 5.0).false_wet.any()
    assert empties(1, 5.02).false_wet.all()


def test_runs_end_with_their_session() -> None:
    its = empties(2)
    rows: Mask = np.zeros(20, np.bool_)
    rows[[2, 3, 8, 9, 10, 11, 12]] = True
    assert runs(its, rows) == [(2, 4), (8, 10), (10, 13)]
    assert longest_s(its, rows) == 2.0


def test_errors_are_of_accepted_readings_with_the_labels_uncertainty_beside() -> None:
    its = empties(2)
    its.level_mm[:10] = 1.0
    its.level_mm[10:] = np.linspace(2.0, 3.8, 10)
    its.validity[19], its.level_mm[19] = 0, np.nan
    found = errors(its, np.ones(20, np.bool_))
    assert (found.frames, found.groups, found.accepted_share) == (20, 2, 0.95)
    assert (found.max_mm, found.worst_group, found.label_u_mm) == (3.6, "s001", 0.4)
    assert found.bias_mm == pytest.approx((1.0 + 2.8) / 2, abs=1e-5)


def test_every_group_weighs_the_same_and_the_frames_stand_beside() -> None:
    """A hundred good frames of one group and ten bad ones of another: half of the claim is the bad group's, a
    tenth of the pooled frames.
    """
    its = empties(11)
    group = Categorical.of(("good", "bad"), np.arange(110) >= 100)
    its = replace(its, places={**its.places, "group": group})
    its.level_mm[100:] = 3.0
    its.validity[100:105] = 0
    found = errors(its, np.ones(110, np.bool_))
    assert (found.groups, found.accepted_share, found.frames_accepted_share) == (
        2,
        0.75,
        pytest.approx(105 / 110, abs=1e-5),
    )
    assert (found.p95_mm, found.frames_p95_mm, found.bias_mm) == (3.0, 0.0, 1.5)
    assert found.rmse_mm == pytest.approx(np.sqrt(9 / 2), abs=1e-5)
    assert found.worst is not None
    assert (found.worst.withheld_share, found.worst.p50_mm, found.worst_group) == (
        0.5,
        3.0,
        "bad",
    )


def test_what_is_stated_has_figures_of_its_own() -> None:
    its = empties(3)
    drops = np.repeat([False, True, False], FRAMES)
    wet = replace(
        its,
        states=replace(its.states, empty=~drops, dry=~drops),
        stated={"drops": drops, "scale": ~drops},
        label_mm=np.where(drops, 50.0, 0.0),
    )
    assert list(wet.classes()) == ["drops", "empty", "dry"]
    assert wet.classes()["drops"].tolist() == drops.tolist()
    film = replace(its, states=replace(its.states, film=drops, dry=~drops), stated={"drops": drops})
    found = figures_of(film).false_wet_by
    assert {name: row.episodes for name, row in found.items()} == {"dry": 2, "drops": 1}


def test_levels_beyond_those_of_the_fit() -> None:
    """Known from 10 to 90 mm: 20 of 30 frames lie outside, of which one group's are withheld."""
    its = replace(empties(3), label_mm=np.repeat([5.0, 50.0, 95.0], FRAMES), known_mm=(10.0, 90.0))
    its.validity[:FRAMES] = 0
    assert figures_of(its).beyond == Beyond(frames=20, groups=2, accepted_share=0.5)
    assert figures_of(empties(3)).beyond is None


def test_figures_of_bands_that_somebody_chose_say_so() -> None:
    assert figures_of(replace(empties(2), ordered=True)).ordered
    assert "ordered" not in figures_of(empties(2)).to_json()


def test_level_flags_and_validity_are_scored_together() -> None:
    """Ten frames of liquid at 50 of 100 mm, half of them under foam; by hand: one 3 mm off, one withheld, two
    foams not flagged, one of these 1 mm off.
    """
    its = empties(1)
    no = np.zeros(FRAMES, np.bool_)
    foam = np.arange(FRAMES) >= 5
    its = replace(
        its,
        label_mm=np.full(FRAMES, 50.0),
        level_mm=np.full(FRAMES, 50.0),
        states=States(foam, no, no, no, ~foam),
        flags=np.where(foam, FLAG_BITS["foam"], 0),
    )
    its.level_mm[0] = 53.0
    its.level_mm[1], its.validity[1] = np.nan, 0
    its.flags[[8, 9]] = 0
    its.level_mm[9] = 51.0
    found = joint(its)
    assert (found.level_share, found.flags_share, found.validity_share, found.all_share) == (
        0.8,
        0.8,
        0.9,
        0.6,
    )
    assert (found.flags_right.p95_mm, found.flags_right.withheld_share) == (pytest.approx(0.7 * 3.0), 0.125)
    assert (found.flags_wrong.p95_mm, found.flags_wrong.withheld_share) == (pytest.approx(0.95), 0.0)


def test_validity_of_dry_tanks() -> None:
    """A dry tank read as a level is given, and right in level where that is 0, but not in validity."""
    its = empties(2)
    its = replace(its, states=replace(its.states, dry=its.states.empty))
    its.validity[:FRAMES] = 2
    found = joint(its)
    assert (found.level_share, found.flags_share, found.validity_share, found.all_share) == (
        1.0,
        1.0,
        0.5,
        0.5,
    )
    assert found.flags_wrong == FlaggedErrors(None, None)
