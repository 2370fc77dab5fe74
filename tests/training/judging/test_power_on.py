"""Gaps in time and cold starts, on a program whose waiting is known: it withholds until its fourth frame
since power-on.

What firmware does at a gap, docs/firmware.md says: init again. The pieces between gaps are run from power-on
by the interpreter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.records import FrozenData
from training.judging.power_on import SETTLING, power_on
from training.judging.streams import restarted, restarts, values_of
from training.program import LEVEL_UNITS_PER_MM, OUTPUTS, Builder, Program, run

NO_TRIMS = np.zeros((8, 0), np.int64)


def counting(channels: int = 3, mean: bool = False) -> Program:
    """The level is the first count (or its running mean since power-on); the first three frames
    are withheld.
    """
    builder = Builder("waits", 16, channels, 100, 65_535)
    zero, one = builder.const(0), builder.const(1)
    seen = builder.state("seen", (0,), (0,), (4,))
    now = builder.node("clip", builder.node("add", seen, one), low=0, high=4)
    builder.renew(seen, now)
    count = builder.node("take", "counts", indices=(0,))
    if mean:
        total = builder.state("total", (0,), (0,), (65_535 * 16 + 15,))
        summed = builder.node(
            "clip", builder.node("running", count, total, shift=4), low=0, high=65_535 * 16 + 15
        )
        builder.renew(total, summed)
        count = builder.node("clip", builder.node("shift", summed, shift=4), low=0, high=65_535)
    given = builder.node("greater", now, builder.const(3))
    level = builder.node("where", given, count, builder.const(-1))
    return builder.finish(low=zero, level=level, high=builder.const(65_535), validity=given, flags=zero)


def with_gap(data: FrozenData, at: int, step_ms: int) -> FrozenData:
    """The frame ``at`` of every session comes ``step_ms`` after the one before."""
    late = step_ms - 100
    moved = tuple(
        replace(f, t_ms=f.t_ms + np.where(np.arange(len(f.t_ms)) >= at, late, 0)) for f in data.frames
    )
    return replace(data, t_ms=data.t_ms + np.where(data.frame >= at, late, 0), frames=moved)


@pytest.mark.parametrize(
    ("step_ms", "anew"), [(100, False), (110, False), (111, True), (89, True), (90, False), (5000, True)]
)
def test_a_step_outside_the_tolerance_is_a_restart(step_ms: int, anew: bool) -> None:
    """Ten per cent of 100 ms: the edge itself is inside."""
    t = np.cumsum([0, 100, step_ms, 100])
    assert restarts(t, 100, 10).tolist() == ([2] if anew else [])


def test_a_gap_starts_the_model_anew(made_up: Callable[..., FrozenData]) -> None:
    data = with_gap(made_up(3, frames=30), 12, 900)
    program = counting(mean=True)
    every = np.ones(len(data.session), np.bool_)
    found = values_of(program, data, every, NO_TRIMS, tuple(program.outputs[name] for name in OUTPUTS))
    ours = np.concatenate([found[program.outputs[name]] for name in OUTPUTS], axis=1)
    theirs = [
        run(program, np.asarray(f.counts[part], np.int64)).table()
        for f in data.frames
        for part in (slice(0, 12), slice(12, 30))
    ]
    assert np.array_equal(ours, np.concatenate(theirs))
    assert np.flatnonzero(restarted(data)).tolist() == [30 * k + 12 for k in range(6)]


def test_the_wait_for_the_first_reading(made_up: Callable[..., FrozenData]) -> None:
    """Three frames of 100 ms from the first to the fourth; one of the drawn starts is among its session's
    first three, where all chips withhold.
    """
    data = made_up(3, frames=400)
    found = power_on(counting(), data, np.ones(len(data.session), np.bool_), NO_TRIMS)
    assert (found.starts, found.none, found.restarts) == (24, 0, 0)
    assert (found.wait_p50_s, found.wait_p95_s, found.wait_max_s) == (0.3, 0.3, 0.3)
    assert found.withheld_anyway == 1
    assert (found.as_warm_share, found.apart_mm, found.settling_frames) == (1.0, 0.0, SETTLING)


def test_gaps_are_counted_and_what_is_withheld_anyway_is_no_wait(made_up: Callable[..., FrozenData]) -> None:
    """Every third frame late: the model never gets to its fourth frame."""
    data = made_up(3, frames=60)
    moved = tuple(replace(f, t_ms=f.t_ms + 500 * (np.arange(60) // 3)) for f in data.frames)
    found = power_on(counting(), replace(data, frames=moved), np.ones(len(data.session), np.bool_), NO_TRIMS)
    assert found.restarts == 6 * 19
    assert found.withheld_anyway == found.starts == 24
    assert (found.none, found.wait_p50_s) == (0, None)


def test_a_session_that_ends_before_the_first_reading_gave_none(made_up: Callable[..., FrozenData]) -> None:
    """In ten frames, starts in the last three are too late for a fourth frame; a start in the first three is
    withheld without a restart too.
    """
    data = made_up(3, frames=10)
    late = np.isin(data.frame, (7, 8, 9))
    found = power_on(counting(), data, late, NO_TRIMS)
    assert (found.starts, found.withheld_anyway, found.none, found.wait_p50_s) == (
        18,
        0,
        18,
        None,
    )


def test_what_a_restart_leaves_behind_is_measured(made_up: Callable[..., FrozenData]) -> None:
    """A running mean that starts from nothing, over sixteen frames of a level of about 40,000: what is left
    of it after n frames is (15/16)**n of the count.
    """
    data = made_up(3, frames=400)
    still = tuple(replace(f, counts=np.full_like(f.counts, 40_000)) for f in data.frames)
    found = power_on(
        counting(mean=True), replace(data, frames=still), np.ones(len(data.session), np.bool_), NO_TRIMS
    )
    assert found.as_warm_share is not None
    assert found.as_warm_share < 1
    assert found.apart_mm == pytest.approx(
        40_000 * (15 / 16) ** (SETTLING + 1) / LEVEL_UNITS_PER_MM, abs=4 / LEVEL_UNITS_PER_MM
    )
