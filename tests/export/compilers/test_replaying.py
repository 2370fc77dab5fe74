"""Replaying a stream through the exported C: state carried, restarts at steps outside the period's tolerance,
the declared domain.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from dataset.errors import InputError, ToolError
from dataset.records import Frames
from export.compilers import replaying
from export.compilers.replaying import replay_on_host
from training.judging.streams import restarts
from training.program import DOUBT, OUTPUTS, Program, run

REASON = OUTPUTS.index("reason")


def frames_of(program: Program, t_ms: list[int], seed: int = 3) -> Frames:
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, program.count_max, (len(t_ms), program.channels), endpoint=True)
    return Frames(
        np.asarray(t_ms, np.int64), counts.astype(np.uint32), np.where(np.arange(len(t_ms)) % 3, 21.5, np.nan)
    )


def trim_of(program: Program) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    assert program.trim is not None
    return np.asarray(
        [(low + high) // 2 for low, high in zip(program.trim.low, program.trim.high, strict=True)], np.int64
    )


def test_a_step_outside_the_tolerance_starts_anew(samples: dict[str, Program]) -> None:
    """The header's rule: frames missed, or outside the tolerance, mean init() again; readings are then
    doubted till the model has settled, as at power-on.
    """
    program = samples["every_op"]
    period, slack = program.period_ms, program.period_ms * program.period_tolerance_pct // 100
    steps = (
        [period] * 5
        + [period + slack]
        + [period] * 2
        + [period + slack + 1]
        + [period] * 4
        + [2 * period]
        + [period] * 5
    )
    t_ms = np.concatenate([[0], np.cumsum(steps)]).tolist()
    found = replay_on_host(program, frames_of(program, t_ms), trim_of(program))
    assert found.restarts.tolist() == [9, 14]
    assert found.steps_ms.tolist() == [period + slack + 1, 2 * period]
    settling = np.flatnonzero(found.readings[:, REASON] == DOUBT)
    starts = np.asarray([0, 9, 14])
    assert settling.tolist() == (starts[:, None] + np.arange(settling[settling < 9].size)).ravel().tolist()
    assert settling.size


def test_it_is_what_the_interpreter_says_beyond_the_cross_check(
    samples: dict[str, Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replaying, "CROSS_CHECKED", 2)
    program = samples["every_op"]
    frames = frames_of(program, [k * program.period_ms for k in range(60)])
    tenths = np.where(np.arange(60) % 3, 215, -1000)
    expected = run(program, frames.counts.astype(np.int64), tenths, None, trim_of(program)).table()
    assert np.array_equal(replay_on_host(program, frames, trim_of(program)).readings, expected)


def test_a_difference_from_the_interpreter_is_no_answer(
    samples: dict[str, Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    program = samples["single_channel"]
    other = dataclasses.replace(program, outputs=dict(program.outputs) | {"level": program.outputs["high"]})
    monkeypatch.setattr(replaying, "run", lambda its, *rest: run(other, *rest))
    with pytest.raises(ToolError, match="as the interpreter has it"):
        replay_on_host(program, frames_of(program, [0, program.period_ms]))


def test_frames_outside_the_domain_are_refused(samples: dict[str, Program]) -> None:
    program = samples["single_channel"]
    hot = Frames(np.asarray([0]), np.asarray([[1000]], np.uint32), np.asarray([201.0]))
    with pytest.raises(InputError, match="temperature of frame 0"):
        replay_on_host(program, hot)
    with pytest.raises(InputError, match="trim"):
        replay_on_host(samples["every_op"], frames_of(samples["every_op"], [0]))


def test_early_frames_are_outside_too(samples: dict[str, Program]) -> None:
    program = samples["constant"]
    assert restarts(
        np.asarray([0, 1000, 1899, 2899]), program.period_ms, program.period_tolerance_pct
    ).tolist() == [2]
