"""Which sides of which forks streams visit, counted by hand on programs small enough for it."""

from __future__ import annotations

import numpy as np

from export.evidence.decisions import Decisions
from export.evidence.streams import Streams
from training.program import Builder, Program


def _program() -> Program:
    """Valid above 10 counts; the level is the count less 20, cut to the span of 100."""
    b = Builder("small", count_bits=8, channels=1, period_ms=100, span=100)
    valid = b.node("greater", "counts", b.const(10), name="is_valid")
    never = b.node("greater", "counts", b.const(1000), name="never")
    level = b.node("clip", b.node("sub", "counts", b.const(20)), name="cut", low=0, high=100)
    zero = b.const(0)
    shown = b.node("where", valid, level, b.const(-1))
    return b.finish(
        low=zero, level=shown, high=b.const(100), validity=b.node("max", valid, never), flags=zero
    )


def _streams(counts: list[list[int]]) -> Streams:
    rows = np.asarray(counts, np.int64)[:, :, None]
    nothing = np.zeros(rows.shape[:2], np.int64)
    return Streams(np.zeros((len(rows), 0), np.int64), rows, nothing, nothing)


def test_sides_are_counted_where_they_count() -> None:
    """Each stream's frames by side; the ends of the level's clip count only where a level is given."""
    decisions = Decisions(_program())
    visits = decisions.visits(_streams([[0, 10, 11], [19, 20, 200]]))
    counted = {side.name: visits[:, k].tolist() for k, side in enumerate(decisions.sides)}
    assert counted["is_valid (comparison): not above"] == [2, 0]
    assert counted["is_valid (comparison): above"] == [1, 3]
    assert counted["cut (clip): below"] == [1, 1]  # of 0, 10 and 11 only the last gives a level
    assert counted["cut (clip): inside"] == [0, 1]
    assert counted["cut (clip): above"] == [0, 1]
    assert counted["validity (output): withheld"] == [2, 0]
    assert counted["validity (output): valid"] == [1, 3]


def test_what_the_ranges_exclude_is_no_side() -> None:
    """A comparison that can't be true, and a flag that is never set, need no visit."""
    names = {side.name for side in Decisions(_program()).sides}
    assert not any(name.startswith("never") for name in names)
    assert not any("foam" in name for name in names)


def test_inner_forks_are_no_decisions() -> None:
    """A clip of something that is no level, and a larger of two, are inner; comparisons and
    outputs decide.
    """
    decisions = Decisions(_program())
    decisive = {side.fork.node for side in decisions.sides if side.fork.decision}
    assert {"is_valid", "cut", "validity"} <= decisive
    inner = {side.fork.kind for side in decisions.sides if not side.fork.decision}
    assert inner == {"larger"}


def test_the_larger_of_two_that_only_touch_has_one_side() -> None:
    """Where the first can at most equal the second, only the second is taken; one count more and both are."""

    def sides(limit: int) -> set[str]:
        b = Builder("touching", count_bits=8, channels=1, period_ms=100, span=100)
        most = b.node("clip", "counts", low=0, high=limit)
        zero = b.const(0)
        level = b.node("max", most, b.const(10), name="larger")
        program = b.finish(low=zero, level=level, high=b.const(100), validity=zero, flags=zero)
        return {side.name for side in Decisions(program).sides if side.fork.node == "larger"}

    assert sides(10) == set()
    assert sides(11) == {"larger (larger): the second", "larger (larger): the first"}


def test_a_knot_belongs_to_the_segment_that_begins_there() -> None:
    """The segment is the last one whose knot is not above the input; from the last knot on there is none."""
    b = Builder("bent", count_bits=8, channels=1, period_ms=100, span=100)
    zero = b.const(0)
    level = b.node("hinge", "counts", knots=(10, 20, 40), values=(0, 50), slopes=(5, 2), shift=0, name="bend")
    program = b.finish(low=zero, level=level, high=b.const(100), validity=b.const(1), flags=zero)
    decisions = Decisions(program)
    visits = decisions.visits(_streams([[9], [10], [19], [20], [39], [40]]))
    counted = {side.name: visits[:, k].tolist() for k, side in enumerate(decisions.sides)}
    assert counted["bend (segments): below"] == [1, 0, 0, 0, 0, 0]
    assert counted["bend (segments): segment 0"] == [0, 1, 1, 0, 0, 0]
    assert counted["bend (segments): segment 1"] == [0, 0, 0, 1, 1, 0]
    assert counted["bend (segments): above"] == [0, 0, 0, 0, 0, 1]
