"""What vectors visit is counted by branch and side, by hand on a program small enough for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from export.evidence.drawing import vectors_of
from export.evidence.streams import Streams
from export.evidence.visited import Visited, visited_by
from training.program import Builder, Program


def _program() -> Program:
    """Valid above 10 counts, with foam above 50 and a band that is wider there; the larger of two inside."""
    b = Builder("small", count_bits=8, channels=1, period_ms=100, span=100)
    valid = b.node("greater", "counts", b.const(10), name="is_valid")
    foam = b.node("greater", "counts", b.const(50), name="is_foam")
    level = b.node("clip", b.node("max", "counts", b.const(20)), name="cut", low=0, high=100)
    high = b.node("clip", b.node("add", level, b.node("add", foam, b.const(1))), name="top", low=0, high=100)
    return b.finish(
        low=b.node("where", valid, level, b.const(0)),
        level=b.node("where", valid, level, b.const(-1)),
        high=b.node("where", valid, high, b.const(100)),
        validity=valid,
        flags=foam,
    )


def _visited(counts: list[list[int]]) -> Visited:
    rows = np.asarray(counts, np.int64)[:, :, None]
    nothing = np.zeros(rows.shape[:2], np.int64)
    program = _program()
    return visited_by(
        program, vectors_of(program, Streams(np.zeros((len(rows), 0), np.int64), rows, nothing, nothing))
    )


def test_frames_are_counted_by_branch() -> None:
    """Of five frames one is withheld, one has foam and with it the wider band."""
    visited = _visited([[5, 15], [16, 30], [60, 18]])
    assert dict(visited.branches) == {
        "withheld": 1,
        "valid": 5,
        "withheld for doubt": 1,
        "flag foam": 1,
        "band given": 5,
        "band widened": 1,
    }


def test_a_program_without_a_band_gives_none() -> None:
    """Low 0 and high the span in every reading are no band, however wide; nothing is counted as one."""
    b = Builder("bare", count_bits=8, channels=1, period_ms=100, span=100)
    level = b.node("clip", "counts", name="cut", low=0, high=100)
    program = b.finish(low=b.const(0), level=level, high=b.const(100), validity=b.const(1), flags=b.const(0))
    assert (program.has_band, _program().has_band) == (False, True)
    nothing = np.zeros((1, 2), np.int64)
    rows = np.asarray([[[5], [15]]], np.int64)
    streams = Streams(np.zeros((1, 0), np.int64), rows, nothing, nothing)
    assert dict(visited_by(program, vectors_of(program, streams)).branches) == {"valid": 2}


def test_what_no_vector_visits_is_named() -> None:
    """Without foam its comparison, its flag and its row of reasons are open; below 20 counts the larger of
    two is one only.
    """
    visited = _visited([[5, 15], [16, 18]])
    assert "is_foam (comparison): above" in visited.unvisited
    assert "flags (foam): set" in visited.unvisited
    assert visited.decisions == visited.decisions_visited + len(visited.unvisited)
    assert visited.inner - visited.inner_visited == len(visited.unreached) == 2
    assert any(name.endswith("(larger): the first") for name in visited.unreached)
    assert not visited.reached
    assert visited.facts()["inner"]["below_floor"] is True
    whole = replace(visited, inner_visited=visited.inner)
    assert whole.reached
    assert whole.facts()["inner"] | {"unvisited": []} == {
        "sides": visited.inner,
        "visited": visited.inner,
        "unvisited": [],
        "floor": 0.95,
        "below_floor": False,
    }
