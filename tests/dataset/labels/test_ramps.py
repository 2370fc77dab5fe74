"""Marks from a stream on a clock of its own. The fills are made up, so that lag and level are known; no
source.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from dataset.coverage.roles import levels_of
from dataset.errors import InputError
from dataset.labels.ramps import PIECE_MM, Lag, Stream, find_lag, ramp_marks
from dataset.records import Frames

PERIOD_MS = 100


def level_at(t_ms: np.ndarray) -> np.ndarray:
    """At rest, a fill of 0.6 mm/s, a pause, a faster fill, at rest, a drain: mm at times in ms."""
    times = [0, 10_000, 60_000, 70_000, 100_000, 110_000, 140_000, 150_000]
    return np.asarray(np.interp(t_ms, times, [5.0, 5.0, 35.0, 35.0, 80.0, 80.0, 20.0, 20.0]))


def fill(seed: int, sd: float = 6.0) -> Frames:
    """Two pads of 16 bits that rise with C, one below the other, and noise."""
    rng = np.random.default_rng(seed)
    t_ms = np.arange(0, 150_000, PERIOD_MS, dtype=np.int64)
    level = level_at(t_ms)
    wet = np.stack([np.clip(level / 45, 0, 1), np.clip((level - 40) / 45, 0, 1)], axis=1)
    return Frames(t_ms, np.rint(20_000 + 6_000 * wet + rng.normal(0, sd, (len(t_ms), 2))).astype(np.uint32))


def stream(lag_ms: float, seed: int = 9, every_ms: int = 250) -> Stream:
    """A scale's log with 0.02 mm of noise, its clock ``lag_ms`` ahead of the frames'."""
    rng = np.random.default_rng(seed)
    t_ms = np.arange(2_000, 148_000, every_ms, dtype=np.float64)
    level = level_at(t_ms) + rng.normal(0, 0.02, len(t_ms))
    return Stream("scale.csv", t_ms + lag_ms, level, np.full(len(t_ms), 0.03), np.full(len(t_ms), 0.1))


@pytest.mark.longer
@pytest.mark.parametrize(
    "lag_ms",
    [pytest.param(-41_370.0, marks=pytest.mark.slow), 0.0, pytest.param(73_512.0, marks=pytest.mark.slow)],
)
def test_the_lag_is_found(lag_ms: float) -> None:
    """Over three fills the lag is found to within three of its standard uncertainties, which are a fraction
    of a frame period.
    """
    found = [find_lag(stream(lag_ms, seed), fill(seed)) for seed in range(3)]
    assert max(its.u_ms for its in found) < PERIOD_MS / 2
    assert max(abs(its.ms - lag_ms) / its.u_ms for its in found) < 3


@pytest.mark.longer
def test_levels_under_the_marks() -> None:
    """The marks follow the true level: within their uncertainty at two standard deviations for 95 % of the
    frames, and never far off.
    """
    frames = fill(1)
    lag = find_lag(stream(5_000.0), frames)
    marks = ramp_marks(stream(5_000.0), frames, lag)
    assert (marks[0].start, marks[-1].stop) == (pytest.approx(20, abs=2), pytest.approx(1478, abs=4))
    assert all(a.stop == b.start for a, b in pairwise(marks))
    level = np.concatenate([levels_of(m, frames.t_ms) for m in marks])
    error = np.abs(level - level_at(frames.t_ms[marks[0].start : marks[-1].stop]))
    u = np.concatenate([np.full(m.stop - m.start, np.hypot(m.u_mm or 0, m.u_common_mm or 0)) for m in marks])
    assert np.mean(error < 2 * u) > 0.95
    assert error.max() < 0.3
    assert {m.method for m in marks} == {"ramp"}


def test_uncertainty_is_rate_times_time() -> None:
    """A lag known to 500 ms makes 0.75 mm of a fill of 1.5 mm/s, beside the stream's own, and nothing at
    rest.
    """
    exact = Stream(
        "s",
        np.array([0.0, 10_000, 30_000, 40_000]),
        np.array([10.0, 10, 40, 40]),
        np.zeros(4),
        np.full(4, 0.1),
    )
    frames = Frames(np.arange(0, 40_100, 100, dtype=np.int64), np.zeros((401, 1), np.uint32))
    *_, rise, top = ramp_marks(exact, frames, Lag(0.0, 500.0))
    assert (top.start, top.stop, top.level_mm, top.level_stop_mm) == (
        pytest.approx(300, abs=1),
        401,
        40,
        None,
    )
    assert rise.u_common_mm == pytest.approx(np.hypot(0.1, 1.5 * 0.5), rel=0.01)
    assert rise.u_mm == pytest.approx(PIECE_MM / np.sqrt(3))
    assert top.u_common_mm == pytest.approx(0.1, rel=0.01)


def test_a_ramp_that_tells_no_lag_is_refused() -> None:
    """A fill at one rate that both clocks see only in mid-course fits at many lags, and is refused with what
    to do.
    """
    rng = np.random.default_rng(5)
    t_ms = np.arange(0, 60_000, PERIOD_MS, dtype=np.int64)
    counts = np.rint(20_000 + 0.1 * t_ms + rng.normal(0, 6, len(t_ms))).astype(np.uint32)[:, None]
    long = Stream(
        "scale.csv",
        np.arange(-90_000.0, 180_000, 250),
        10 + np.arange(-90_000.0, 180_000, 250) * 1e-4 + 9,
        np.zeros(1080),
        np.zeros(1080),
    )
    with pytest.raises(
        InputError,
        match=r"scale.csv: its clock could be anywhere within \d+.* s of the frames'; expected 5 "
        r"frame periods. Let the level rest",
    ):
        find_lag(long, Frames(t_ms, counts))


def test_too_little_to_go_by() -> None:
    """A few frames tell no lag, and a stream of other minutes covers none."""
    frames = fill(1)
    few = Frames(frames.t_ms[:30], frames.counts[:30])
    with pytest.raises(InputError, match="30 frames to find its clock by; expected at least 36"):
        find_lag(stream(0.0), few)
    with pytest.raises(InputError, match="covers fewer than two frames"):
        ramp_marks(stream(0.0), frames, Lag(1e6, 0.0))
