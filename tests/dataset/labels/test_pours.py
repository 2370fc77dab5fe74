"""When liquid last came in, worked out by hand from marks and conditions."""

from __future__ import annotations

import numpy as np

from dataset.labels.pours import seconds_since_pour
from dataset.records import Conditions, Flow, Mark, Stretch

FILLING, STATIC, DRAINING = (Conditions(flow=flow) for flow in (Flow.FILLING, Flow.STATIC, Flow.DRAINING))
HALVES = np.arange(12, dtype=np.int64) * 500  # two frames a second


def test_stated_filling_is_counted_from_its_last_frame() -> None:
    """Whole seconds that are over, 0 while liquid comes in; nothing is known before the first filling."""
    stretches = (
        Stretch(0, 2, STATIC),
        Stretch(2, 4, FILLING),
        Stretch(4, 10, STATIC),
        Stretch(10, 12, FILLING),
    )
    assert seconds_since_pour(HALVES, (), stretches).tolist() == [-1, -1, 0, 0, 0, 1, 1, 2, 2, 3, 0, 0]


def test_a_marked_level_that_rises_is_a_pour_where_no_flow_is_stated() -> None:
    """A step between two marks, then a step down; a stated flow says that the first was none."""
    marks = (Mark(0, 4, 10.0), Mark(4, 8, 20.0), Mark(8, 12, 15.0))
    assert seconds_since_pour(HALVES, marks, ()).tolist() == [-1] * 4 + [0, 0, 1, 1, 2, 2, 3, 3]
    assert (seconds_since_pour(HALVES, marks, (Stretch(0, 12, DRAINING),)) == -1).all()


def test_a_ramp_pours_as_long_as_it_rises() -> None:
    """8 mm in eight frames; of its first two frames 1 mm is not passed yet."""
    marks = (Mark(0, 9, 10.0, level_stop_mm=18.0), Mark(9, 12, 18.0))
    assert seconds_since_pour(HALVES, marks, ()).tolist() == [-1, -1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1]


def test_labels_that_only_tremble_are_no_pour() -> None:
    marks = tuple(Mark(k, k + 1, 10.0 + 0.9 * (k % 2)) for k in range(12))
    assert (seconds_since_pour(HALVES, marks, ()) == -1).all()


def test_a_level_that_rose_unseen_makes_unknown_what_was_known() -> None:
    """Three seconds without a mark, behind which the level is higher: when in them liquid came in, no mark
    says. The next pour is known again.
    """
    marks = (Mark(0, 1, 5.0), Mark(1, 3, 10.0), Mark(8, 10, 20.0), Mark(10, 12, 30.0))
    assert seconds_since_pour(HALVES, marks, ()).tolist() == [-1, 0, 0, *[-1] * 7, 0, 0]
    stated = (Stretch(3, 5, STATIC), Stretch(5, 7, FILLING), Stretch(7, 10, STATIC))
    assert seconds_since_pour(HALVES, marks, stated).tolist() == [-1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0]


def test_time_is_that_of_the_frames() -> None:
    """Frames that were missed count; nothing stated, nothing known."""
    t_ms = np.asarray([0, 100, 200, 61_200, 61_300], np.int64)
    assert seconds_since_pour(t_ms, (), (Stretch(1, 3, FILLING),)).tolist() == [-1, 0, 0, 61, 61]
    assert seconds_since_pour(t_ms, (), ()).tolist() == [-1] * 5
