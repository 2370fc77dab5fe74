"""Pictures as places of lines, which templates write as SVG: classes and attributes alone, since a page's
policy takes no styles within it; the text beside them and the tables under them say the same.

A session is drawn as a chart recorder draws it, a lane a pad on one time axis. Places have one decimal, so
that the same readings give the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dataset.coverage.condition_words import condition_words
from export.report.numbers import set_apart

if TYPE_CHECKING:
    from dataset.records import Frames, Session

WIDTH, LEFT, RIGHT = 900, 92, 78  # of the paper, and what is beside the lanes
LANE, LEVEL_LANE, ROW, TOP, BOTTOM = 36, 64, 16, 10, 30
INNER = WIDTH - LEFT - RIGHT
GAP = 3.0  # periods without a frame, from which on a line is broken
Reals = NDArray[np.float64]


@dataclass(frozen=True)
class Lane:
    """A line over time: its name, its lines as points, what stands at its ends, and where it is."""

    name: str
    lines: tuple[str, ...]
    high: float
    low: float
    top: float
    height: float

    @property
    def middle(self) -> float:
        return self.top + self.height / 2


@dataclass(frozen=True)
class Stretch:
    """A bar over time: a condition that holds there."""

    x: float
    width: float


@dataclass(frozen=True)
class Row:
    """The stretches under one condition."""

    name: str
    stretches: tuple[Stretch, ...]
    top: float


@dataclass(frozen=True)
class Tick:
    """A time on the axis."""

    x: float
    text: str


@dataclass(frozen=True)
class Course:
    """The whole chart."""

    width: int
    height: float
    left: int
    right: float
    lanes: tuple[Lane, ...]
    rows: tuple[Row, ...]
    ticks: tuple[Tick, ...]
    bottom: float


def course(session: Session, frames: Frames) -> Course:
    """A session over time: its known level, each pad's counts, its temperature and conditions."""
    t_s = (frames.t_ms - frames.t_ms[0]) / 1000.0
    span_s = max(float(t_s[-1]), 1e-3)
    x = LEFT + t_s / span_s * INNER
    breaks = np.flatnonzero(np.diff(frames.t_ms) > GAP * session.mounting.sensor.period_ms) + 1
    lanes: list[Lane] = []
    top = float(TOP)
    if session.marks:
        lanes.append(_level_lane(session, frames, x, top))
        top += LEVEL_LANE
    scale = session.mounting.sensor.count_scale
    columns = [
        (name, frames.counts[:, k].astype(np.float64) / scale)
        for k, name in enumerate(session.mounting.sensor.channel_names)
    ]
    if frames.temperature_c is not None and np.isfinite(frames.temperature_c).any():
        columns.append(("\u00b0C", frames.temperature_c))
    for name, values in columns:
        lanes.append(_lane(name, x, values, breaks, top))
        top += LANE
    rows = _rows(session, x, top + 6)
    bottom = top + 6 + ROW * len(rows)
    ticks = tuple(
        Tick(round(LEFT + at / span_s * INNER, 1), set_apart(f"{at:.10g}")) for at in _ticks(span_s)
    )
    return Course(WIDTH, bottom + BOTTOM, LEFT, WIDTH - RIGHT, tuple(lanes), rows, ticks, bottom)


def _level_lane(session: Session, frames: Frames, x: Reals, top: float) -> Lane:
    from dataset.coverage.roles import levels_of

    span = session.mounting.tank.span_mm
    lines = []
    for mark in session.marks:
        levels = levels_of(mark, frames.t_ms)
        lines += _lines(x[mark.start : mark.stop], levels, (0.0, span), top, LEVEL_LANE)
    return Lane("level, mm", tuple(lines), span, 0.0, top, LEVEL_LANE)


def _lane(name: str, x: Reals, values: Reals, breaks: NDArray[np.int64], top: float) -> Lane:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    edges = [0, *breaks.tolist(), len(values)]
    lines = [line for a, b in pairwise(edges) for line in _lines(x[a:b], values[a:b], (low, high), top, LANE)]
    return Lane(name, tuple(lines), high, low, top, LANE)


def _lines(x: Reals, values: Reals, ends: tuple[float, float], top: float, height: float) -> list[str]:
    """The points of a line within a lane; of more values than there is paper the least and the greatest of
    each column of it.
    """
    held = np.isfinite(values)
    x, values = x[held], values[held]
    if not len(values):
        return []
    low, high = ends
    reach = (high - low) or 1.0
    y = top + height - 4 - (values - low) / reach * (height - 8)
    if len(x) > 2 * INNER:
        starts = np.flatnonzero(np.diff(np.floor(x), prepend=-1.0))
        x = np.repeat(x[starts], 2)
        y = np.stack([np.maximum.reduceat(y, starts), np.minimum.reduceat(y, starts)], axis=1).ravel()
    if len(x) == 1:
        x, y = np.array([x[0] - 0.5, x[0] + 0.5]), np.repeat(y, 2)
    return [" ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))]


def _rows(session: Session, x: Reals, top: float) -> tuple[Row, ...]:
    """A row for each word that holds somewhere."""
    of_word: dict[str, list[Stretch]] = {}
    for stretch in session.stretches:
        start, stop = float(x[stretch.start]), float(x[stretch.stop - 1])
        for word in condition_words(stretch.conditions):
            of_word.setdefault(word, []).append(Stretch(round(start, 1), round(max(stop - start, 1.0), 1)))
    return tuple(
        Row(word, tuple(stretches), top + ROW * k) for k, (word, stretches) in enumerate(of_word.items())
    )


def _ticks(span: float, most: int = 8) -> list[float]:
    """Round values from zero to the span."""
    raw = span / most
    unit = 10.0 ** np.floor(np.log10(raw))
    step = float(next(unit * k for k in (1, 2, 5, 10) if unit * k >= raw * (1 - 1e-9)))
    return [round(step * k, 9) for k in range(int(span / step + 1e-9) + 1)]
