"""The course of a capture session as inline SVG: counts over time, marks, conditions, temperature."""

from __future__ import annotations

from html import escape

import numpy as np
from numpy.typing import NDArray

from dataset.labels.conditions import conditions_text
from dataset.records import Frames, Session
from export.report.axes import (
    FOOT,
    LEFT,
    LETTER,
    RIGHT,
    WIDTH,
    Panel,
    Scale,
    drawing,
    foot,
    key,
    strips,
)
from export.report.html import counted
from innage.pictures.figures import fitted
from innage.pictures.session_plot import broken, mark_level

_MOST_POINTS = 480  # of a line: nearly each unit of the picture's width
_HUES = 8  # classes of the style sheet that pads are drawn in, from the lowest to the highest
_NAME, _CONDITION = 24, 56  # characters of a pad's name and of a condition


def course(session: Session, frames: Frames) -> str:
    """Counts of each pad over time with the marks behind them, a row for each condition that was stated, and
    the temperature where it was measured. At least one frame.
    """
    seconds = np.asarray((frames.t_ms - frames.t_ms[0]) / 1000.0, np.float64)
    x = Scale((0.0, float(seconds[-1])), LEFT, WIDTH - RIGHT, 8, tight=True)
    pads = session.mounting.sensor.pads
    hues = [f"q{k * _HUES // len(pads)}" for k in range(len(pads))]
    signs = [f'<line class="{hue} front" x1="0" x2="26" y1="0" y2="0"/>' for hue in hues]
    parts, top = key(list(zip(signs, (fitted(pad.name, _NAME) for pad in pads), strict=True)), 0)
    counts = [frames.counts[:, pad.channel].astype(np.float64) for pad in pads]
    ends = [float(end) for values in counts for end in (values.min(), values.max())]
    panel = Panel(x, ends, "counts, and level in mm above the marks", top, 230)
    parts += [*_marks(panel, session, seconds), *panel.grid()]
    parts += [
        f'<path class="{hue} thin" d="{_line(panel, seconds, values)}">'
        f"<title>{escape(pad.name)}</title></path>"
        for hue, pad, values in zip(hues, pads, counts, strict=True)
    ]
    rows, height = strips(x, panel.bottom + 4, _conditions(session, seconds))
    parts, bottom = [*parts, *rows], panel.bottom + 4 + height
    warm = frames.temperature_c
    if warm is not None and np.isfinite(warm).any():
        known = warm[np.isfinite(warm)]
        below = Panel(x, (float(known.min()), float(known.max())), "temperature, °C", bottom + 4, 60, 2)
        parts += below.grid()
        parts.append(f'<path class="s2 front" d="{_line(below, seconds, np.asarray(warm, np.float64))}"/>')
        bottom = below.bottom
    parts += foot(x, bottom, "time since the first frame, s")
    sizes = ((len(pads), "pad"), (session.frames, "frame"), (len(session.marks), "mark"))
    desc = ", ".join(counted(count, what) for count, what in sizes)
    return drawing(f"Course of session {session.id}", desc, bottom + FOOT, parts)


def _line(panel: Panel, seconds: NDArray[np.float64], values: NDArray[np.float64]) -> str:
    times, thinned = broken(seconds, values, _MOST_POINTS)
    return panel.line(zip(times.tolist(), thinned.tolist(), strict=True))


def _marks(panel: Panel, session: Session, seconds: NDArray[np.float64]) -> list[str]:
    """Every other mark shaded, its level above it where there is room."""
    parts, free = list[str](), 0.0
    for number, mark in enumerate(session.marks):
        left, right = panel.x(float(seconds[mark.start])), panel.x(float(seconds[mark.stop - 1]))
        level = mark_level(mark)
        parts.append(
            f'<rect class="{"shade" if number % 2 else "tint"}" x="{left:g}" y="{panel.top:g}" '
            f'width="{max(right - left, 0.5):.1f}" height="{panel.bottom - panel.top:g}">'
            f"<title>{level} mm</title></rect>"
        )
        middle, wide = (left + right) / 2, LETTER * len(level)
        if middle - wide / 2 > free and middle + wide / 2 < WIDTH:
            parts.append(f'<text class="mid" x="{middle:.1f}" y="{panel.top - 3:g}">{level}</text>')
            free = middle + wide / 2 + 4
    return parts


def _conditions(
    session: Session, seconds: NDArray[np.float64]
) -> list[tuple[str, str, list[tuple[float, float]]]]:
    """For each thing that was stated when it held."""
    held: dict[str, list[tuple[float, float]]] = {}
    for stretch in session.stretches:
        ends = float(seconds[stretch.start]), float(seconds[stretch.stop - 1])
        for word in conditions_text(stretch.conditions).split(","):
            held.setdefault(word, []).append(ends)
    return [(fitted(word, _CONDITION), "stretch", held[word]) for word in sorted(held)]
