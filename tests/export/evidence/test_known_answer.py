"""The known answer notices single breaks, those too that had no part in choosing it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from export.evidence.breaks import breaks, last_layers, may_choose, run_broken
from export.evidence.drawing import draw
from export.evidence.known_answer import FIRST_POUR, known_answer, sequence
from training.program import OUTPUTS, Builder, Program, run


@pytest.fixture(params=["two_nets"])
def program(request: pytest.FixtureRequest, all_built: dict[str, Any]) -> Program:
    """Two nets on pads with trims."""
    found: Program = all_built[request.param].program
    return found


def test_answers_are_the_interpreters(program: Program) -> None:
    """Frame by frame from power-on, as the interpreter runs the program, whose ranges it asserts."""
    known = known_answer(program)
    stream = sequence(np.asarray(known.trim), np.asarray(known.rows), known.lead)
    trim = None if program.trim is None else np.asarray(known.trim)
    readings = run(program, stream.counts[0], stream.temperature[0], stream.faults[0], trim)
    assert readings.table().tolist() == [list(reading) for reading in known.readings]


def test_breaks_held_out_are_noticed(program: Program) -> None:
    """Of the breaks that change a reading on other streams and were not asked when rows were chosen, four of
    five change the answer.
    """
    known, others = known_answer(program), draw(program, 3000, 77).streams
    stream = sequence(np.asarray(known.trim), np.asarray(known.rows), known.lead)
    whole, seen = run_broken(program, others, None, ()), run_broken(program, stream, None, known.layers)
    noticed = [
        (run_broken(program, stream, b, known.layers) != seen).any()
        for b in breaks(program)
        if not may_choose(b) and (run_broken(program, others, b, ()) != whole)[:, :, : len(OUTPUTS)].any()
    ]
    assert len(noticed) > 20
    assert np.mean(noticed) > 0.8


def test_without_a_break_nothing_differs(program: Program) -> None:
    """The way breaks are run gives what the interpreter gives where nothing is broken."""
    streams = draw(program, 400, 5).streams
    answers = run_broken(program, streams, None, last_layers(program))
    trim = None if program.trim is None else streams.trim[3]
    table = run(program, streams.counts[3], streams.temperature[3], streams.faults[3], trim).table()
    assert np.array_equal(answers[3, :, : len(OUTPUTS)], table)


def test_room_for_rows_is_used(program: Program) -> None:
    """Two nets take more rows than the few that one reading of each kind needs."""
    assert 8 < len(known_answer(program).rows) <= 64


def foam_at(frame: int, *, by_state: bool) -> Program:
    """Foam is said in the frame of one number alone, counted by the seconds since the last pour in it, or, by
    state, in the frame before; and only of counts in a hundredth of their range. Three frames settle.
    """
    b = Builder(
        "foamy",
        count_bits=12,
        channels=2,
        period_ms=1000,
        span=6400,
        settling_frames=3,
        longest_pour_s=60,
    )
    now = b.node("clip", "since_pour", low=-1, high=60)
    b.renew(b.state("before", (-1,), (-1,), (60,)), now)
    second = "before" if by_state else now
    first = b.node("take", "counts", indices=(0,))
    told_so = (
        b.node("greater", second, b.const(FIRST_POUR + frame - 1 - by_state)),
        b.node("greater", b.const(FIRST_POUR + frame + 1 - by_state), second),
        b.node("greater", first, b.const(2000)),
        b.node("greater", b.const(2041), first),
    )
    foam = told_so[0]
    for condition in told_so[1:]:
        foam = b.node("mul", foam, condition)
    level = b.node("clip", b.node("dense", "counts", weights=((1, 1),), bias=(0,)), low=0, high=6400)
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=foam)


@pytest.mark.parametrize(("frame", "by_state"), [(4, False), (3, True)])
def test_rows_are_chosen_by_the_seconds_that_the_frame_is_told(frame: int, by_state: bool) -> None:
    """Counts that say foam come in the one frame that can say it: the second behind those that settle, or the
    first of them, of what the last that settles was told.
    """
    known = known_answer(foam_at(frame, by_state=by_state))
    assert known.lead == 3
    flags = [reading[OUTPUTS.index("flags")] for reading in known.readings]
    assert [k for k, flag in enumerate(flags) if flag] == [frame]
