"""One unit on two benches: differences that were put in, and those that are chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dataset.coverage.two_benches import Difference, differences
from dataset.errors import InputError
from dataset.records import (
    CountLaw,
    Frames,
    Liquid,
    Mark,
    Mounting,
    NewSession,
    Occasion,
    Pad,
    Sensor,
    Session,
    Source,
    Tank,
    Unit,
)
from dataset.store import Store
from innage.jobs.two_benches import on_two_benches

SENSOR = Sensor("s", 1, (Pad(0, "a", 0.0, 50.0), Pad(1, "b", 50.0, 50.0)), 16, CountLaw.RISES, 100)
AT = Mounting("m", Tank("can", 1, 100.0), SENSOR)
NORTH, SOUTH = "a" * 32, "b" * 32
NOISE = 4.0


def captured(seed: int, off: float = 0.0, levels: tuple[float, ...] = (10.0, 20.0)) -> Frames:
    """80 frames a level; counts rise by 30 a mm, with noise; the second pad stands ``off`` higher."""
    rng = np.random.default_rng(seed)
    level = np.repeat(levels, 80)
    counts = 1000 + 30 * level[:, None] + rng.normal(0, NOISE, (len(level), 2)) + [0.0, off]
    return Frames(np.arange(len(level)) * 100, np.rint(counts).astype(np.uint32))


def session(
    frames: Frames,
    levels: tuple[float, ...] = (10.0, 20.0),
    u_mm: float | None = None,
    u_common_mm: float | None = None,
) -> Session:
    marks = tuple(Mark(80 * k, 80 * k + 80, level, u_mm, u_common_mm) for k, level in enumerate(levels))
    return Session("x", "x" * 64, Unit("u"), Liquid("water"), AT, len(frames), marks, Source("f", "0" * 64))


def compared(
    here: int, there: int, off: float = 0.0, u_mm: float | None = None, u_common_mm: float | None = None
) -> tuple[Difference, ...]:
    pairs = [
        (session(f, u_mm=u_mm, u_common_mm=u_common_mm), f) for f in (captured(here), captured(there, off))
    ]
    return differences(pairs[:1], pairs[1:])


def test_a_step_that_was_put_in_is_found() -> None:
    """Twelve counts on one pad of one bench, with noise of four: only there the two disagree."""
    found = compared(1, 2, 12.0)
    assert [(d.level_mm, d.channel) for d in found] == [(10, "a"), (10, "b"), (20, "a"), (20, "b")]
    for d in found:
        assert (abs(d.e_n) > 1) is (d.channel == "b")
        assert d.difference == pytest.approx(-12.0 if d.channel == "b" else 0.0, abs=3.0)


def test_chance_is_told_from_a_difference() -> None:
    """Of benches that agree about 5 in 100 differences are beyond k = 2, some more since few slices say how
    much a mark varies; u is that of two means of 80 frames.

    Source: the normal law, 4.6 % beyond 2 standard deviations; t of 14 degrees, 6.5 % (from memory).
    """
    found = [d for k in range(150) for d in compared(2 * k, 2 * k + 1)]
    assert np.mean([abs(d.e_n) > 1 for d in found]) == pytest.approx(0.065, abs=0.035)
    assert np.mean([d.u for d in found]) == pytest.approx(NOISE * np.sqrt(2 / 80), rel=0.1)


def test_levels_are_uncertain_too() -> None:
    """0.5 mm on each bench are 15 counts each at 30 a mm; a common part does not average out over marks.

    Source: JCGM 100:2008, eq. (10), worked by hand.
    """
    (first, *_) = compared(1, 2, 12.0, u_mm=0.3, u_common_mm=0.4)
    assert first.level_part == pytest.approx(30 * 0.5 * np.sqrt(2), rel=0.02)
    assert abs(first.e_n) < 1
    frames = [captured(k) for k in range(5)]
    here = [(session(f, u_mm=0.3, u_common_mm=0.4), f) for f in frames[:4]]
    there = [(session(frames[4]), frames[4])]
    (averaged, *_) = differences(here, there)
    assert averaged.marks == (4, 1)
    assert averaged.level_part == pytest.approx(30 * np.hypot(0.3 / 2, 0.4), rel=0.02)


def test_one_level_has_no_slope_and_others_no_partner() -> None:
    one, other = captured(1, levels=(10.0,)), captured(2, levels=(30.0,))
    alone = differences([(session(one, (10.0,)), one)], [(session(one, (10.0,)), one)])
    assert [d.level_part for d in alone] == [None, None]
    assert differences([(session(one, (10.0,)), one)], [(session(other, (30.0,)), other)]) == ()


def test_from_a_store(new_store: Store) -> None:
    """By benches that sessions state; void ones are left out, what cannot be compared is told."""
    new_store.add_units([Unit("u"), Unit("x", bench=NORTH), Unit("y", bench=SOUTH)])
    unit, water = new_store.unit("u"), new_store.add_liquid(Liquid("water"))
    can, sensor = new_store.add_tank(replace(AT.tank, revision=0)), new_store.add_sensor(SENSOR)
    at = new_store.add_mounting(Mounting("m", can, sensor))

    def put(
        seed: int, bench: str | None, off: float = 0.0, levels: tuple[float, ...] = (10.0, 20.0)
    ) -> Session:
        frames = captured(seed, off, levels)
        marks = session(frames, levels).marks
        where = Occasion(bench=bench)
        new = NewSession(unit, water, at, frames, marks, Source(f"{seed}", f"{seed:064x}"), occasion=where)
        return new_store.add_sessions([new])[0]

    here = put(1, NORTH)
    with pytest.raises(InputError, match=r"unit u: no labelled session states bench bench-bbbbbb"):
        on_two_benches(new_store, "u", [NORTH, SOUTH])
    apart = put(2, SOUTH, levels=(40.0,))
    with pytest.raises(InputError, match="no level, liquid and mounting that bench-aaaaaa and"):
        on_two_benches(new_store, "u", [NORTH, SOUTH])
    there, wrong = put(3, SOUTH, 12.0), put(4, SOUTH, 5000.0)
    put(5, None)
    new_store.void(wrong.id, "the hose came off")
    shown = on_two_benches(new_store, "u", [NORTH, SOUTH])
    assert shown.sessions == ((here.id,), (apart.id, there.id))
    assert shown.beyond == 2
    with pytest.raises(InputError, match="expected two that differ"):
        on_two_benches(new_store, "u", [NORTH, NORTH])
