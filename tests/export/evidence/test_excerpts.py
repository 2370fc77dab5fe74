"""Streams out of sessions: which frames may be taken, how the choice is spread, and that it is the same
again.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from building import SENSOR, TANK
from dataset.records import (
    Conditions,
    Flow,
    Frames,
    Liquid,
    Mark,
    Mounting,
    Role,
    Session,
    Source,
    Stretch,
    Surface,
    Trim,
    TrimKind,
    Unit,
    Wall,
)
from export.evidence.excerpts import Capture, Excerpts, excerpts_of, free_frames
from training.program import Builder, Program

MOUNTING = Mounting("m1", TANK, SENSOR)
FRAMES = 8


def program(trims: bool = False) -> Program:
    """Two channels added up; with trims their sum is taken off."""
    b = Builder(
        "sum", count_bits=16, channels=2, period_ms=100, span=6400, trim_range=(10, 900) if trims else None
    )
    total = b.node("dense", "counts", weights=((1, 1),), bias=(0,))
    if trims:
        dry = b.prepare_node("dense", "trim", weights=((1, 1),), bias=(0,), keep=True)
        total = b.node("sub", total, dry)
    level = b.node("clip", total, low=0, high=6400)
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


def trim(unit: str, kind: TrimKind = TrimKind.DRY, date: str = "2026-01-01", counts: int = 100) -> Trim:
    return Trim(Unit(unit), MOUNTING, kind, (counts, counts), date, "line", sha256=f"{unit}{kind}{date}")


def capture(
    number: int,
    unit: str = "u1",
    liquid: str = "water",
    *,
    frames: int = 80,
    roles: Sequence[Role] = (Role.FIT,),
    stretches: tuple[Stretch, ...] = (),
    void: str | None = None,
    t_ms: Sequence[int] | None = None,
) -> Capture:
    """A session whose counts name the session and the frame; its marks are equally long."""
    ends = np.linspace(0, frames, len(roles) + 1).astype(int).tolist()
    marks = tuple(Mark(start, stop, 10.0 * k) for k, (start, stop) in enumerate(itertools.pairwise(ends)))
    session = Session(
        f"{number:012x}",
        f"{number:064x}",
        Unit(unit),
        Liquid(liquid),
        MOUNTING,
        frames,
        marks,
        Source("a.csv", "ab" * 32),
        void_reason=void,
        stretches=stretches,
    )
    counts = np.column_stack([np.full(frames, number), np.arange(frames)]).astype(np.uint32)
    times = np.arange(frames) * 100 if t_ms is None else np.asarray(t_ms)
    recorded = Frames(times.astype(np.int64), counts)
    return Capture(session, recorded, free_frames(session, roles, frames), (trim(unit),))


def taken(captures: Sequence[Capture], most: int = 1000, seed: int = 0, **kind: bool) -> Excerpts:
    return excerpts_of(program(**kind), captures, FRAMES, most, seed)


def test_counts_are_those_of_the_frames_named() -> None:
    """A stream holds its session's counts from its first frame on; without a thermometer no temperature, and
    no faults.
    """
    found = taken([capture(5), capture(6)])
    assert len(found) == 20
    for k, place in enumerate(found.places):
        expected = np.column_stack(
            [np.full(FRAMES, int(place.session, 16)), np.arange(place.first, place.first + FRAMES)]
        )
        assert np.array_equal(found.streams.counts[k], expected)
    assert (found.streams.temperature == -1000).all()
    assert not found.streams.faults.any()


def test_no_frame_is_taken_twice() -> None:
    """All places that a session has room for, none of its frames in two of them."""
    found = taken([capture(1, frames=83)])
    rows = np.concatenate([np.arange(p.first, p.first + FRAMES) for p in found.places])
    assert len(rows) == len(set(rows.tolist())) == 10 * FRAMES


def test_a_warm_stream_is_in_tenths_of_a_degree() -> None:
    """What was measured, and where it was not, what a board without a thermometer passes; frames beyond what
    a program accepts are left out.
    """
    warm = np.full(16, 21.26)
    warm[3], warm[12] = np.nan, 250.0
    one = capture(1, frames=16)
    found = taken([replace(one, frames=replace(one.frames, temperature_c=warm))])
    assert len(found) == 1
    first = found.places[0].first
    assert found.streams.temperature[0].tolist() == [
        -1000 if k == 3 else 213 for k in range(first, first + FRAMES)
    ]


def test_nothing_of_prove_and_nothing_void() -> None:
    """None of a session of 'prove' or a void one; of one that is partly of 'prove', such as with groups of
    levels, only marked frames of other roles.
    """
    mixed = (Role.FIT, Role.PROVE, Role.CHOOSE, Role.CALIBRATE)
    found = taken([capture(1, roles=mixed), capture(2, roles=(Role.PROVE,)), capture(3, void="spilt")])
    assert {int(p.session, 16) for p in found.places} == {1}
    assert all(p.first + FRAMES <= 20 or p.first >= 40 for p in found.places)
    assert len(found) >= 6
    gap = capture(4, roles=(Role.FIT, Role.PROVE)).session
    apart = replace(gap, marks=(Mark(0, 20, 1.0), Mark(60, 80, 2.0)))
    assert np.flatnonzero(free_frames(apart, (Role.FIT, Role.PROVE), 80)).tolist() == list(range(20))
    assert free_frames(apart, (Role.FIT, Role.CHOOSE), 80).all()


def test_no_stream_reaches_over_a_step_in_time() -> None:
    """After a gap the model starts anew, which the frames of one stream can't."""
    t_ms = [*range(0, 1300, 100), *range(9000, 9000 + 6700, 100)]
    found = taken([capture(1, t_ms=t_ms)])
    assert all(p.first + FRAMES <= 13 or p.first >= 13 for p in found.places)
    assert len(found) == 1 + 67 // FRAMES


def test_units_liquids_and_conditions_take_turns() -> None:
    """A unit with ten times the sessions gives no more than another; in a unit no liquid, and in a liquid no
    condition, more than another.
    """
    foam = Conditions(surface=(Surface.FOAM,), foam_mm=(10.0, 20.0))
    film = Conditions(wall=(Wall.FILM,))
    many = [capture(k, "u1", frames=400) for k in range(10)]
    two = [capture(20, "u2", "water", frames=400), capture(21, "u2", "rinse", frames=400)]
    stretches = (Stretch(0, 320, foam), Stretch(320, 400, film))
    third = capture(30, "u3", frames=400, stretches=stretches)
    found = taken([*many, *two, third], most=60)
    unit = {c.session.sha256: c.session.unit.name for c in [*many, *two, third]}
    assert Counter(unit[p.session] for p in found.places) == {"u1": 20, "u2": 20, "u3": 20}
    by_session = Counter(int(p.session, 16) for p in found.places)
    assert by_session[20] == by_session[21] == 10
    assert all(by_session[k] == 2 for k in range(10))
    in_film = [p for p in found.places if int(p.session, 16) == 30 and p.first + FRAMES > 320]
    assert len(in_film) == 10


def test_a_unit_needs_trims_that_the_program_accepts() -> None:
    """The newest trim of the kind is a stream's; units without one, or with one outside the limits, give
    none.
    """
    whole = replace(
        capture(1), trims=(trim("u1"), trim("u1", date="2026-03-01", counts=300), trim("u1", TrimKind.FULL))
    )
    lacking = replace(capture(2, "u2"), trims=(trim("u2", TrimKind.FULL),))
    outside = replace(capture(3, "u3"), trims=(trim("u3", counts=901),))
    found = taken([whole, lacking, outside], trims=True)
    assert {int(p.session, 16) for p in found.places} == {1}
    assert {p.trims for p in found.places} == {("u1dry2026-03-01",)}
    assert (found.streams.trim == 300).all()
    assert len(taken([lacking, outside], trims=True)) == 0


@pytest.mark.parametrize("most", [5, 1000])
def test_the_same_again(most: int) -> None:
    """Seed and sessions decide, not the order in which these are given."""
    captures = [capture(k, f"u{k % 3}", frames=100) for k in range(6)]
    found = taken(captures, most, 3)
    again = taken(captures[::-1], most, 3)
    assert found.places == again.places
    assert taken(captures, most, 4).places != found.places


def test_streams_are_told_of_pours_as_their_session_says() -> None:
    """The seconds of the session's frames from the stream's first on; of a program that is not told, none."""
    builder = Builder("told", 16, 2, 100, 6400, longest_pour_s=60)
    level = builder.node("clip", "since_pour", low=0, high=60)
    one, zero = builder.const(1), builder.const(0)
    told = builder.finish(low=level, level=level, high=level, validity=one, flags=zero)
    filling = (Stretch(10, 30, Conditions(flow=Flow.FILLING)),)
    captures = [capture(0, frames=80, stretches=filling)]
    taken = excerpts_of(told, captures, FRAMES, 4, 0)
    assert len(taken) == 4
    for place, seconds in zip(taken.places, taken.streams.pours.tolist(), strict=True):
        at = range(place.first, place.first + FRAMES)
        assert seconds == [-1 if k < 10 else max(k - 29, 0) // 10 for k in at]
    assert {-1, 1} <= set(taken.streams.pours.ravel().tolist())
    assert excerpts_of(program(), captures, FRAMES, 4, 0).streams.since_pour is None
