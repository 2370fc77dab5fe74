"""Marks from a ramp: a second stream of levels on a clock of its own, such as a scale's log of a slow fill.

How far the stream's clock is from the session's is found by least squares: each channel's count is a function
of the level alone, so at the right lag the counts lie closest to a smooth curve over it. Starts, stops and
pauses tell the lag; a ramp that never changes its rate does not.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from dataset.labels.steady import noise
from dataset.labels.uncertainty import rectangular
from dataset.records import Frames, Mark
from dataset.words import counted

KNOTS = 12  # of the curve of counts over level
MOST_LAGS = 4000
FEWEST_FRAMES = 3 * KNOTS
# a lag whose sum of squares is within this many variances of the best may be it: two standard deviations
PLAUSIBLE = 4.0
MOST_PERIODS = 5.0  # how far from the best such a lag may lie, in frame periods
PIECE_MM = 0.05  # how far a straight piece may lie from the stream

Reals = NDArray[np.float64]


@dataclass(frozen=True)
class Stream:
    """Levels on their own clock: ``t_ms``, ``level_mm``, ``u_mm``, ``u_common_mm``, each float64 (n,); times
    rise, u is 0 where unknown.
    """

    where: str
    t_ms: Reals
    level_mm: Reals
    u_mm: Reals
    u_common_mm: Reals


@dataclass(frozen=True)
class Lag:
    """A frame at ``t`` was at the stream's level of ``t + ms``; ``u_ms`` is the standard uncertainty."""

    ms: float
    u_ms: float


def find_lag(stream: Stream, frames: Frames) -> Lag:
    """The lag between the clocks of a stream and of a session.

    Its uncertainty follows from the curvature of the sum of squares at the best lag, widened for residuals
    that resemble their neighbours.

    Raises:
        InputError: lags further apart than a few frame periods fit as well.
    """
    if len(frames) < FEWEST_FRAMES:
        raise InputError(
            stream.where,
            f"{counted(len(frames), 'frame')} to find its clock by",
            f"at least {FEWEST_FRAMES}",
            "give the lag with ramp_lag_ms",
            fields=("ramp_lag_ms",),
        )
    t = frames.t_ms.astype(np.float64)
    scaled = (frames.counts - frames.counts.mean(axis=0)) / noise(frames.counts)
    period = float(np.median(np.diff(t)))

    def residuals(lag: float) -> tuple[Reals, float]:
        return _residuals(stream, t, scaled, lag)

    lags = _lags(stream, t, period)
    squares = np.array([residuals(lag)[1] for lag in lags])
    best = int(np.argmin(squares))
    around = (float(lags[max(best - 1, 0)]), float(lags[min(best + 1, len(lags) - 1)]))
    lag = _least_between(around, lambda tried: residuals(tried)[1], period / 1000)
    left, least = residuals(lag)
    variance = least / (left.size - KNOTS * left.shape[1]) * _widened(left)
    _refuse_wide(stream, lags[squares <= least + PLAUSIBLE * variance], lag, period)
    step = max(period, (around[1] - around[0]) / 2)
    bend = (residuals(lag - step)[1] + residuals(lag + step)[1] - 2 * least) / step**2
    return Lag(lag, math.sqrt(2 * variance / bend))


def _lags(stream: Stream, t: Reals, period: float) -> Reals:
    """Lags to try, rising: every one at which stream and frames overlap, a frame period apart or, where these
    would be too many, further.
    """
    earliest, latest = stream.t_ms[0] - t[-1], stream.t_ms[-1] - t[0]
    return np.linspace(earliest, latest, min(MOST_LAGS, max(3, int((latest - earliest) / period) + 1)))


def _least_between(around: tuple[float, float], squares: Callable[[float], float], within: float) -> float:
    """Where between two lags the sum of squares is least, to ``within`` ms."""
    from scipy.optimize import minimize_scalar

    return float(minimize_scalar(squares, bounds=around, method="bounded", options={"xatol": within}).x)


def _refuse_wide(stream: Stream, plausible: Reals, lag: float, period: float) -> None:
    """InputError where lags that fit as well lie further from the best than a few frame periods."""
    wide = float(np.max(np.abs(plausible - lag))) if len(plausible) else 0.0
    if wide > MOST_PERIODS * period:
        raise InputError(
            stream.where,
            f"its clock could be anywhere within {wide / 1000:.3g} s of the frames'",
            f"{MOST_PERIODS:g} frame periods",
            "let the level rest before and after the ramp, or pause in it; or give the lag with ramp_lag_ms",
            fields=("ramp_lag_ms",),
        )


def _residuals(stream: Stream, t: Reals, scaled: Reals, lag: float) -> tuple[Reals, float]:
    """What is left of the counts (n, channels) over the best curve through KNOTS levels, and its sum of
    squares.
    """
    level = np.interp(t + lag, stream.t_ms, stream.level_mm)
    low, high = float(stream.level_mm.min()), float(stream.level_mm.max())
    place = (level - low) / max(high - low, 1e-9) * (KNOTS - 1)
    hats = np.maximum(1 - np.abs(place[:, None] - np.arange(KNOTS)), 0)
    # a level that no frame is near has no weight: the small diagonal settles it at 0
    weights = np.linalg.solve(hats.T @ hats + 1e-6 * np.eye(KNOTS), hats.T @ scaled)
    left = np.asarray(scaled - hats @ weights, np.float64)
    return left, float(np.vdot(left, left))


def _widened(left: Reals) -> float:
    """Factor on the variance for residuals that resemble their neighbours: (1 + r) / (1 - r), r the
    correlation of neighbours.
    """
    r = float(np.clip((left[1:] * left[:-1]).sum() / max((left**2).sum(), 1e-30), 0.0, 0.99))
    return (1 + r) / (1 - r)


def ramp_marks(stream: Stream, frames: Frames, lag: Lag) -> tuple[Mark, ...]:
    """Straight pieces of the level over the frames that the stream covers.

    A piece's uncertainty is that of the stream, with PIECE_MM as a half-width where it isn't exact; the
    common part takes in rate x uncertainty of the lag, which is one error for all.
    """
    at = np.asarray(frames.t_ms + lag.ms, np.float64)
    covered = np.flatnonzero((at >= stream.t_ms[0]) & (at <= stream.t_ms[-1]))
    if len(covered) < 2:
        raise InputError(
            stream.where,
            "covers fewer than two frames of the session",
            "a stream of the same minutes",
            "check its time column and ramp_lag_ms",
            fields=("ramp_lag_ms",),
        )
    level = np.round(np.interp(at, stream.t_ms, stream.level_mm), 6)
    own, shared = np.interp(at, stream.t_ms, stream.u_mm), np.interp(at, stream.t_ms, stream.u_common_mm)
    marks: list[Mark] = []
    start, end = int(covered[0]), int(covered[-1]) + 1
    while start < end:
        stop = _piece(at, level, start, end)
        first, last = float(level[start]), float(level[stop - 1])
        rate = abs(last - first) / max(float(at[stop - 1] - at[start]), 1.0)
        u_mm = math.hypot(
            float(own[start:stop].max()), rectangular(PIECE_MM) if stop - start > 2 and first != last else 0.0
        )
        common = math.hypot(float(shared[start:stop].max()), rate * lag.u_ms)
        marks.append(
            Mark(start, stop, first, u_mm or None, common or None, None if first == last else last, "ramp")
        )
        start = stop
    return tuple(marks)


def _piece(at: Reals, level: Reals, start: int, end: int) -> int:
    """The end of the longest straight piece from ``start`` on, found by doubling and halving."""

    def straight(stop: int) -> bool:
        chord = np.interp(at[start:stop], [at[start], at[stop - 1]], [level[start], level[stop - 1]])
        return bool(np.max(np.abs(chord - level[start:stop])) <= PIECE_MM)

    good, bad = min(start + 2, end), end + 1
    if straight(end):
        return end
    while bad - good > 1:
        middle = min((good + bad) // 2, good * 2 - start)
        good, bad = (middle, bad) if straight(middle) else (good, middle)
    return good
