"""Plots as inline SVG: no library, no script, the same text for the same points. Colours come from the page's style."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

_WIDTH, _HEIGHT = 720, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 12, 12, 44


def error_plot(points: Sequence[tuple[float, float, float, str]]) -> str:
    """Error (mm) against true level (mm); each point is (level, mean error, standard deviation, name). At least one point."""
    lows, highs = [m - s for _, m, s, _ in points], [m + s for _, m, s, _ in points]
    xs = _ticks(min(p[0] for p in points), max(p[0] for p in points))
    ys = _ticks(min(*lows, 0.0), max(*highs, 0.0))

    def x(value: float) -> float:
        return _LEFT + (value - xs[0]) / (xs[-1] - xs[0]) * (_WIDTH - _LEFT - _RIGHT)

    def y(value: float) -> float:
        return _HEIGHT - _BOTTOM - (value - ys[0]) / (ys[-1] - ys[0]) * (_HEIGHT - _TOP - _BOTTOM)

    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="error against level">']
    for tick in ys:
        kind = "zero" if tick == 0 else "grid"
        parts.append(f'<line class="{kind}" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(tick):.1f}" y2="{y(tick):.1f}"/>')
        parts.append(f'<text x="{_LEFT - 8}" y="{y(tick) + 4:.1f}" text-anchor="end">{tick:g}</text>')
    parts += [f'<text x="{x(tick):.1f}" y="{_HEIGHT - _BOTTOM + 18}" text-anchor="middle">{tick:g}</text>' for tick in xs]
    for level, mean, deviation, name in sorted(points):
        title = f"<title>{escape(name)}: level {level:g} mm, mean error {mean:.3g} mm, standard deviation {deviation:.3g} mm</title>"
        at, up, down = x(level), y(mean + deviation), y(mean - deviation)
        parts.append(f'<g class="mark">{title}<line x1="{at:.1f}" x2="{at:.1f}" y1="{up:.1f}" y2="{down:.1f}" stroke-width="2"/>')
        parts.append(f'<circle cx="{at:.1f}" cy="{y(mean):.1f}" r="3.5"/></g>')
    middle = (_HEIGHT - _BOTTOM + _TOP) / 2
    parts.append(f'<text x="{(_LEFT + _WIDTH - _RIGHT) / 2}" y="{_HEIGHT - 6}" text-anchor="middle">level, mm</text>')
    parts.append(f'<text x="14" y="{middle}" text-anchor="middle" transform="rotate(-90 14 {middle})">error, mm</text></svg>')
    return "".join(parts)


def _ticks(low: float, high: float) -> list[float]:
    """Round numbers that enclose [low, high], some five of them."""
    if high <= low:
        low, high = low - 1, high + 1
    raw = (high - low) / 5
    power = math.floor(math.log10(raw))
    step = next(m for m in (1.0, 2.0, 5.0, 10.0) if m * 10.0**power >= raw * 0.999) * 10.0**power
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(k * step, 12) for k in range(first, last + 1)]
