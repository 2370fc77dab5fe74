"""What sessions tell of pours reaches a program frame by frame, and no program that is not told of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.records import Conditions, Flow, FrozenData, Stretch
from training.judging.streams import since_pours, values_of
from training.program import NO_POUR, Builder, Program

NO_TRIMS = np.zeros((8, 0), np.int64)


def poured(data: FrozenData) -> FrozenData:
    """Each session fills for a second and a half, some frames later than the one before."""
    filling = Conditions(flow=Flow.FILLING)
    sessions = tuple(
        replace(s, marks=(), stretches=(Stretch(3 + k, 18 + k, filling),))
        for k, s in enumerate(data.frozen.sessions)
    )
    return replace(data, frozen=replace(data.frozen, sessions=sessions))


def seconds_shown(*, keeps_state: bool) -> Program:
    """The level is the seconds since the last pour, 0 where they are not known."""
    builder = Builder("seconds", 16, 3, 100, 640, longest_pour_s=600)
    level = builder.node("clip", "since_pour", low=0, high=640)
    if keeps_state:
        builder.renew(builder.state("seen", (0,), (0,), (640,)), level)
    zero, full = builder.const(0), builder.const(640)
    return builder.finish(low=zero, level=level, high=full, validity=builder.const(1), flags=zero)


@pytest.mark.parametrize("keeps_state", [False, True])
def test_each_frame_is_given_the_seconds_of_its_session(
    made_up: Callable[..., FrozenData], keeps_state: bool
) -> None:
    """Whole sessions and chosen rows alike, from first principles: the seconds that the stretches say."""
    data, program = poured(made_up(3)), seconds_shown(keeps_state=keeps_state)
    chosen = np.arange(len(data.session)) % 3 > 0
    name = program.outputs["level"]
    level = values_of(program, data, chosen, NO_TRIMS, (name,))[name][:, 0]
    expected = np.empty(len(data.session), np.int64)
    for k, session in enumerate(data.frozen.sessions):
        t_ms, (filling,) = data.frames[k].t_ms, session.stretches
        since = (t_ms - t_ms[filling.stop - 1]) // 1000
        expected[data.session == k] = np.maximum(since, 0)[data.frame[data.session == k]]
    assert expected.max() > 0
    assert np.array_equal(level, expected[chosen])


def test_a_program_that_is_not_told_is_handed_nothing(made_up: Callable[..., FrozenData]) -> None:
    data, program = poured(made_up(3)), seconds_shown(keeps_state=False)
    sessions = np.arange(2)
    assert max(part.max() for part in since_pours(program, data, sessions)) > 0
    silent = replace(program, longest_pour_s=0)
    assert all((part == NO_POUR).all() for part in since_pours(silent, data, sessions))
