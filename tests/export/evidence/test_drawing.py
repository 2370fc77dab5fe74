"""Vectors come from where a program works: every side of every decision is visited, and the same call draws
the same streams.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from export.evidence.breaks import run_broken
from export.evidence.drawing import LEAST_EMPTY, LEAST_VALID, LEAST_VISITS, corners, draw, shares, vectors_of
from export.evidence.known_answer import known_answer, sequence
from export.evidence.streams import Streams, streams_of
from export.vectors import from_csv, to_csv
from training.program import Builder, Program

pytestmark = pytest.mark.usefixtures("drawing")


@pytest.fixture(params=["strip", "two_nets", "forest", "every_op", "inverse_law"])
def program(request: pytest.FixtureRequest, all_built: dict[str, Any]) -> Program:
    """Programs of every family that reach a level."""
    found: Program = all_built[request.param].program
    return found


@pytest.mark.longer
def test_every_decision_is_visited(program: Program) -> None:
    """Each side often enough, and as many valid readings as are asked for."""
    drawn = draw(program, 6000, 0)
    lacking = {
        side.name: int(n)
        for side, n in zip(drawn.decisions.sides, drawn.visits, strict=True)
        if side.fork.decision and n < LEAST_VISITS
    }
    # the sum under this clip can't be negative, which its intervals don't show
    lacking.pop("v33 (clip): below", None)
    lacking.pop("flags (foam): set", None)  # here the largest of three, of which the second never is
    assert lacking == {}
    found = shares(vectors_of(program, drawn.streams).readings)
    assert found["valid"] >= LEAST_VALID
    codes = [c for side in drawn.decisions.sides if side.fork.kind == "output" for c in side.fork.codes]
    assert found["empty"] >= LEAST_EMPTY or 2 not in codes


@pytest.mark.longer
def test_corners_are_among_them(program: Program) -> None:
    """Every corner of the domain stands in the first streams."""
    streams = draw(program, 600, 0).streams
    rows = np.concatenate(
        [streams.counts, streams.temperature[:, :, None], streams.faults[:, :, None]], axis=2
    ).reshape(-1, program.channels + 2)
    assert {tuple(row) for row in corners(program).tolist()} <= {tuple(row) for row in rows.tolist()}


@pytest.mark.longer
def test_the_same_again(program: Program) -> None:
    """The same program, count and seed give the same streams; another seed gives others."""
    first, again, other = (draw(program, 400, seed).streams for seed in (3, 3, 4))
    assert all(np.array_equal(getattr(first, f), getattr(again, f)) for f in ("trim", "counts", "faults"))
    assert not np.array_equal(first.counts, other.counts)


def test_a_rare_side_is_searched_for() -> None:
    """A decision that one count in a million draws would meet is reached by its margin."""
    b = Builder("rare", count_bits=20, channels=2, period_ms=100, span=640)
    first, second = (b.node("take", "counts", indices=(k,)) for k in (0, 1))
    apart = b.node("abs", b.node("sub", first, second))
    rare = b.node("greater", apart, b.const(1_048_000), name="far_apart")
    zero = b.const(0)
    drawn = draw(b.finish(low=zero, level=zero, high=zero, validity=rare, flags=zero), 2000, 0)
    named = {side.name: int(n) for side, n in zip(drawn.decisions.sides, drawn.visits, strict=True)}
    assert named["far_apart (comparison): above"] >= LEAST_VISITS


@pytest.mark.longer
def test_an_end_that_cuts_the_level_is_searched_for_where_a_level_is_given() -> None:
    """A level above the span is rare, and so is a valid reading: one alone visits nothing."""
    b = Builder("rare", count_bits=20, channels=2, period_ms=100, span=640)
    first, second = (b.node("take", "counts", indices=(k,)) for k in (0, 1))
    off = [b.node("abs", b.node("sub", x, b.const(at))) for x, at in ((first, 500_123), (second, 700_321))]
    valid = b.node("greater", b.const(300), off[0])
    level = b.node("clip", b.node("sub", b.const(1000), off[1]), name="cut", low=0, high=640)
    zero = b.const(0)
    level = b.node("where", valid, level, zero)
    drawn = draw(b.finish(low=level, level=level, high=level, validity=valid, flags=zero), 2000, 0)
    named = {side.name: int(n) for side, n in zip(drawn.decisions.sides, drawn.visits, strict=True)}
    assert named["cut (clip): above"] >= LEAST_VISITS


@pytest.mark.longer
def test_sessions_are_half_of_it(all_built: dict[str, Any]) -> None:
    """Where there are streams of sessions, half the streams are theirs; what is made does not
    depend on them.
    """
    program = all_built["strip"].program
    given = draw(program, 2400, 9).streams
    drawn = draw(program, 1600, 0, given)
    assert len(drawn.sources) == len(drawn.streams) - drawn.made_count == len(drawn.streams) // 2
    theirs = drawn.streams.take(slice(drawn.made_count, None))
    assert np.array_equal(theirs.counts, given.take(np.asarray(drawn.sources)).counts)
    reversed_ones = Streams(given.trim[::-1], given.counts[::-1], given.temperature, given.faults)
    other = draw(program, 1600, 0, reversed_ones)
    assert np.array_equal(other.streams.counts[: other.made_count], drawn.streams.counts[: drawn.made_count])


def test_vectors_are_told_of_pours_and_not_told(all_built: dict[str, Any]) -> None:
    """Every side of it often, a clock that goes on among them, and of other programs nothing."""
    vectors, program = all_built["told"].vectors, all_built["told"].program
    pours = streams_of(vectors).pours
    known = pours >= 0
    assert LEAST_VISITS < known.sum() < known.size - LEAST_VISITS
    assert (known & (pours < program.longest_pour_s)).sum() > LEAST_VISITS
    assert (pours > program.longest_pour_s).sum() > LEAST_VISITS
    assert (~known).all(axis=1).sum() > len(known) // 10
    going_on = known[:, :1] & (pours == pours[:, :1] + np.arange(pours.shape[1]) // 2)
    assert going_on.all(axis=1).any()
    assert corners(program)[:, -1].tolist()[:2] == [-1, 2**31 - 1]
    assert all_built["strip"].vectors.since_pour is None
    assert np.array_equal(streams_of(from_csv(program, to_csv(vectors))).pours, pours)


def test_the_known_answer_is_told_of_pours(all_built: dict[str, Any]) -> None:
    """A chip's self-test notices that a pour counts otherwise."""
    program = all_built["told"].program
    known = known_answer(program)
    streams = sequence(np.asarray(known.trim, np.int64), np.asarray(known.rows), known.lead)
    assert streams.pours[0, :3].tolist() == [-1, 0, 1]
    assert run_broken(program, streams, None, known.layers)[0].tolist() == [list(a) for a in known.answers]
    untold = replace(streams, since_pour=None)
    assert run_broken(program, untold, None, known.layers)[0].tolist() != [list(a) for a in known.answers]
