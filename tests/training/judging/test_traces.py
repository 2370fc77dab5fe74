"""The worst sessions are those that err most, and what is drawn of them is what happened; all numbers
invented.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from training.judging.categorical import Categorical
from training.judging.figures import SessionTrace
from training.judging.judged import Judged
from training.judging.traces import WORST, worst_traces
from training.models.watch import States
from training.program import DOUBT, FLAG_BITS, GIVEN, VALID, WITHHELD

SESSIONS, FRAMES = 6, 400


@pytest.fixture
def answers() -> Judged:
    """Six sessions of 400 frames, a frame each 100 ms: session k reads k mm too much; s0 is withheld in
    frames 100 to 149 and flags foam in frames 10 and 20 to 29.
    """
    n = SESSIONS * FRAMES
    session, zero, no = np.repeat(np.arange(SESSIONS), FRAMES), np.zeros(n, np.int64), np.zeros(n, np.bool_)
    label = np.tile(np.linspace(0.0, 100.0, FRAMES), SESSIONS)
    validity, reason, flags, level = zero + VALID, zero + GIVEN, zero.copy(), label + session
    validity[100:150], reason[100:150], level[100:150] = WITHHELD, DOUBT, np.nan
    flags[[10, *range(20, 30)]] = FLAG_BITS["foam"]
    names = Categorical.of([f"s{k}" for k in session])
    return Judged(
        label_mm=label,
        u_mm=np.full(n, 0.3),
        low_mm=level - 1,
        level_mm=level,
        high_mm=level + 1,
        validity=validity,
        flags=flags,
        t_ms=7000 + 100 * np.tile(np.arange(FRAMES), SESSIONS),
        frame=zero,
        states=States(no.copy(), no.copy(), no.copy(), no.copy(), ~no),
        places={"session": names, "unit": names, "liquid": Categorical.of(["water"] * n)},
        span_mm=100.0,
        reason=reason,
    )


def test_the_sessions_that_err_most_come_first_then_the_one_withheld_most(answers: Judged) -> None:
    traces = worst_traces(answers)
    assert [trace.session for trace in traces] == ["s5", "s4", "s3", "s0"]
    assert len(traces) == WORST + 1
    assert [trace.p95_mm for trace in traces] == pytest.approx([5, 4, 3, 0])
    assert traces[-1].withheld_share == 50 / FRAMES


def test_a_trace_is_thinned_and_hides_nothing_that_was_withheld(answers: Judged) -> None:
    """The withheld frames among those kept are those withheld; runs are told in seconds since the first
    frame, to a frame.
    """
    withheld = worst_traces(answers)[-1]
    assert len(withheld.t_s) == len(withheld.label_mm) == len(withheld.level_mm) <= 150
    for t, level, low in zip(withheld.t_s, withheld.level_mm, withheld.low_mm, strict=True):
        assert (level is None) == (low is None) == (10.0 <= t < 15.0)
    assert withheld.runs == {
        "withheld: doubt": ((10.0, 14.9),),
        "flag foam": ((1.0, 1.0), (2.0, 2.9)),
    }


def test_the_worst_frame_and_a_single_withheld_one_are_kept(answers: Judged) -> None:
    answers.level_mm[5 * FRAMES + 203] += 40.0
    answers.level_mm[5 * FRAMES + 301], answers.validity[5 * FRAMES + 301] = np.nan, WITHHELD
    worst = worst_traces(answers)[0]
    assert 20.3 in worst.t_s
    assert [t for t, level in zip(worst.t_s, worst.level_mm, strict=True) if level is None] == [30.1]


def test_of_many_runs_the_longest_are_told(answers: Judged) -> None:
    """Every other frame flagged, and one stretch of five: forty runs, that one among them, in order of
    time.
    """
    answers.flags[:FRAMES:2] = FLAG_BITS["film"]
    answers.flags[200:205] = FLAG_BITS["film"]
    runs = worst_traces(answers)[-1].runs["flag film"]
    assert len(runs) == 40
    assert (20.0, 20.4) in runs
    assert list(runs) == sorted(runs)


def test_traces_are_the_same_again_and_read_again(answers: Judged) -> None:
    first, again = worst_traces(answers), worst_traces(answers)
    assert first == again
    for trace in first:
        assert SessionTrace.from_json(json.loads(json.dumps(trace.to_json(), allow_nan=False))) == trace


def test_a_session_without_a_reading_is_the_one_withheld_most(answers: Judged) -> None:
    answers.validity[:FRAMES], answers.level_mm[:FRAMES] = WITHHELD, np.nan
    silent = worst_traces(answers)[-1]
    assert (silent.session, silent.p95_mm, silent.withheld_share) == ("s0", None, 1.0)
    assert set(silent.level_mm) == {None}
