"""What the rig's operator states: marks only where the level is known, conditions that agree with the truth
frame by frame.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product

import numpy as np
import pytest

from dataset.records import Coupling, Flow, Surface, Wall
from dataset.rig.bench import Bench, RigCapture
from dataset.rig.scenario import PATHS, Recipe, Scenario
from dataset.rig.statements import Truth, operator_marks, stretches_of

PERIOD_MS = 100


def some_captures(bench: Bench) -> Iterator[tuple[Recipe, RigCapture]]:
    """Three sessions of every recipe."""
    for recipe, number in product(bench.scenario.recipe, range(3)):
        yield recipe, bench.capture(bench.unit(number), "water", recipe, number)


@pytest.fixture(scope="module")
def captures(washer: Scenario, bench_of: Callable[..., Bench]) -> list[tuple[Recipe, RigCapture]]:
    return list(some_captures(bench_of(washer)))


def truth_of(level: np.ndarray) -> Truth:
    none = np.zeros(len(level), bool)
    return Truth(level, np.zeros(len(level)), np.zeros((len(level), 2)), none, none, none)


def test_marks_by_hand(washer: Scenario) -> None:
    """Still; moved within some frames; still, marked 8 frames after it got there; an even fall of 20 frames;
    a still end too short for a mark.
    """
    level = np.concatenate(
        [np.full(10, 5.0), [7.5, 10.0, 12.5], np.full(20, 15.0), 15 - 0.5 * np.arange(1, 21), np.full(4, 5.0)]
    )
    marks = operator_marks(level, PERIOD_MS, washer.operator)
    assert [(m.start, m.stop, m.level_mm, m.level_stop_mm) for m in marks] == [
        (0, 10, 5.0, None),
        (22, 33, 15.0, None),
        (33, 53, 14.5, 5.0),
    ]
    assert {m.u_mm for m in marks} == {washer.operator.label_u_mm}
    slower = operator_marks(level, 2 * PERIOD_MS, washer.operator)  # the same time is half as many frames
    assert [m.start for m in slower] == [0, 18, 33]


def test_every_label_is_the_truth(captures: list[tuple[Recipe, RigCapture]]) -> None:
    """Under a static mark the level is the label's all along; under a ramp it lies on the straight line
    between its ends.
    """
    for recipe, capture in captures:
        level = capture.truth.level_mm
        assert capture.marks, recipe.name
        for mark in capture.marks:
            under = level[mark.start : mark.stop]
            if mark.level_stop_mm is None:
                assert (under == mark.level_mm).all()
                assert (
                    mark.start == 0 or (level[mark.start - 8 : mark.start] == mark.level_mm).all()
                )  # at rest for 0.8 s
            else:
                assert under == pytest.approx(
                    np.linspace(mark.level_mm, mark.level_stop_mm, len(under)), abs=1e-6
                )
        stops = [0, *(m.stop for m in capture.marks)]
        assert all(m.start >= stop for m, stop in zip(capture.marks, stops, strict=False))


def test_moved_frames_of_steps_have_no_label(captures: list[tuple[Recipe, RigCapture]]) -> None:
    for recipe, capture in captures:
        if recipe.path == "steps":
            moving = np.flatnonzero(np.diff(capture.truth.level_mm))
            assert len(moving)
            assert not any(m.start <= k < m.stop - 1 for m in capture.marks for k in moving)


def test_stretches_cover_all_and_say_what_is_so(captures: list[tuple[Recipe, RigCapture]]) -> None:
    seen = set()
    for recipe, capture in captures:
        truth, n = capture.truth, recipe.frames
        assert [s.start for s in capture.stretches] == [0, *(s.stop for s in capture.stretches[:-1])]
        assert capture.stretches[-1].stop == n
        for stretch in capture.stretches:
            said, at = stretch.conditions, slice(stretch.start, stretch.stop)
            assert ((truth.foam_mm[at] > 1.5) == (Surface.FOAM in said.surface)).all()
            assert ((truth.film_um[at].max(axis=1) > 2.0) == (Wall.FILM in said.wall)).all()
            assert (truth.earthed[at] == (said.coupling == Coupling.EARTHED)).all()
            assert (truth.hand[at] == (said.appliance == "hand at the wall")).all()
            assert (truth.unplugged[at] == (said.appliance == "a pad unplugged")).all()
            assert (Wall.DROPS in said.wall, Wall.SCALE in said.wall, Surface.SLOSHING in said.surface) == (
                recipe.drops,
                recipe.scale,
                recipe.sloshing,
            )
            assert (said.surface == (Surface.STILL,)) == (
                Surface.FOAM not in said.surface and not recipe.sloshing
            )
            seen |= {*said.surface, *said.wall, said.flow, said.coupling, said.appliance}
    assert seen == {
        *Surface,
        *Wall,
        *Flow,
        Coupling.EARTHED,
        Coupling.FLOATING,
        "",
        "hand at the wall",
        "a pad unplugged",
    }


def test_flow_is_seen_a_frame_around_a_movement(washer: Scenario) -> None:
    level = np.concatenate([np.full(10, 5.0), [6.0, 7.0], np.full(10, 8.0), [7.0], np.full(9, 6.0)])
    made = stretches_of(truth_of(level), washer.find_recipe("steps"), washer.operator)
    assert [(s.start, s.stop, s.conditions.flow) for s in made] == [
        (0, 9, Flow.STATIC),
        (9, 14, Flow.FILLING),
        (14, 21, Flow.STATIC),
        (21, 25, Flow.DRAINING),
        (25, 32, Flow.STATIC),
    ]


def test_every_path_is_in_the_scenario(washer: Scenario) -> None:
    assert {recipe.path for recipe in washer.recipe} == set(PATHS)
