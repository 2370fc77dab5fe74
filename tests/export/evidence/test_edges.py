"""Streams at the edges of comparisons and roundings: distances say when an answer changes, and the search
comes nearer than what is drawn.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from export.evidence.breaks import breaks
from export.evidence.drawing import draw, vectors_of
from export.evidence.edges import _FAR, Edge, at_edges, edges
from export.evidence.fills import made_fills
from export.evidence.score import differing
from export.evidence.streams import Streams, run_through, streams_of
from training.program import Builder, Program
from training.program.rounding import shift_round


@pytest.fixture(params=["two_nets", "wide", "forest"])
def program(request: pytest.FixtureRequest, all_built: dict[str, Any]) -> Program:
    found: Program = all_built[request.param].program
    return found


def pool_of(program: Program, streams: int = 200) -> Streams:
    return made_fills(program, np.random.RandomState(5), streams, 8)


def nearest(program: Program, streams: Streams, edge: Edge) -> int:
    """The least distance of any frame."""
    return min(int(edge.distance(values).min()) for values in run_through(program, streams, edge.needs))


def test_an_answer_changes_at_its_distance() -> None:
    """Moved by its distance, a sum gives the same answer, and one step further the other, by the one
    rounding rule.
    """
    program, tried = _near_a_threshold(), 0
    for edge in edges(program):
        for values in run_through(program, pool_of(program), edge.needs):
            there = edge.distance(values)
            total = values[edge.total][there < _FAR, edge.element]
            step = (-1 if edge.above else 1) * np.ones_like(total)
            limit = int(values[edge.other][0, 0]) if edge.other else None

            def answer(sums: np.ndarray, edge: Edge = edge, limit: int | None = limit) -> np.ndarray:
                rounded = shift_round(sums, edge.shift)
                return rounded if limit is None else rounded < limit if edge.turned else rounded > limit

            here, steps = answer(total), step * there[there < _FAR]
            assert (answer(total + steps) == here).all()
            assert (answer(total + steps + step) != here).all()
            tried += len(total)
    assert tried > 1000


def _near_a_threshold() -> Program:
    """Two sums that are rounded, one compared with a threshold from above and one from below, one given as
    the level.
    """
    b = Builder("near", count_bits=12, channels=2, period_ms=100, span=6400)
    total = b.node("dense", "counts", weights=((61, 37), (-29, 83)), bias=(5, -7), name="layer")
    scores = b.node("clip", b.node("shift", total, shift=7, name="rounded"), low=-3000, high=6000)
    first, second = (b.node("take", scores, indices=(k,)) for k in (0, 1))
    doubt = b.node("greater", first, b.const(1900), name="doubt")
    foam = b.node("greater", b.const(700), second, name="foam")
    mean = b.node("shift", b.node("dense", "counts", weights=((3, 2),), bias=(0,)), shift=2, name="mean")
    level = b.node("clip", mean, low=0, high=6400)
    return b.finish(low=level, level=level, high=level, validity=b.node("sub", b.const(1), doubt), flags=foam)


def test_every_kind_of_edge_is_found() -> None:
    """Both sides of a value above a threshold, of one below it, and of the level's rounding."""
    found = edges(_near_a_threshold())
    assert {(e.element, e.shift, bool(e.other), e.turned, e.above) for e in found} == {
        (element, shift, compared, turned, above)
        for element, shift, compared, turned in (
            (0, 7, True, False),
            (1, 7, True, True),
            (0, 2, False, False),
        )
        for above in (True, False)
    }


@pytest.mark.longer
def test_the_search_comes_nearer(program: Program) -> None:
    """At each edge at least as near as the pool, at most of them at the very step, with as many streams as
    asked for and the same ones each time.
    """
    pool, sought = pool_of(program), edges(program)
    if not sought:
        assert at_edges(program, pool, np.random.RandomState(1), 50) is None
        return
    near = at_edges(program, pool, np.random.RandomState(1), 500)
    assert near is not None
    found = [(nearest(program, near, edge), nearest(program, pool, edge)) for edge in sought]
    assert all(ours <= drawn for ours, drawn in found)
    apart = [pair for pair in found if 0 < pair[1] < _FAR]
    assert all(ours < drawn for ours, drawn in apart)
    few, again = (at_edges(program, pool, np.random.RandomState(1), 7) for _ in range(2))
    assert few is not None
    assert again is not None
    assert len(few) == 7
    assert np.array_equal(few.counts, again.counts)


def test_a_rounding_that_shows_only_at_an_edge_is_noticed() -> None:
    """Of a sum of 2^20 steps for each unit a rounding below changes few answers: drawn fills miss it, the
    streams at edges don't.
    """
    b = Builder("fine", count_bits=16, channels=2, period_ms=100, span=6400)
    halves = b.node("shift", "counts", shift=1, name="halves")
    total = b.node("dense", halves, weights=((73, 41),), bias=(0,), name="layer")
    doubt = b.node("greater", b.node("shift", total, shift=20, name="coarse"), b.const(1), name="doubt")
    level = b.const(640)
    program = b.finish(
        low=level, level=level, high=level, validity=b.node("sub", b.const(1), doubt), flags=b.const(0)
    )
    broken = [k for k in breaks(program) if k.name == "halves: rounds down"]
    pool = pool_of(program)
    near = at_edges(program, pool, np.random.RandomState(0), 100)
    assert near is not None
    assert not differing(program, pool, broken, ()).any()
    assert differing(program, near, broken, ()).all()
    drawn = streams_of(vectors_of(program, draw(program, 800, 0).streams))
    assert differing(program, drawn, broken, ()).all()
    assert not differing(program, replace(drawn, counts=drawn.counts // 2 * 2), broken, ()).any()
