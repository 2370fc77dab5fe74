"""Plots as inline SVG: no library, no script, the same text for the same points. Colours come from the page's
style.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from html import escape
from itertools import pairwise
from typing import NamedTuple

_WIDTH, _HEIGHT = 720, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 16, 14, 44
_ROW, _NAME = 26, 92  # a bar's height with its gap, and the room for its name
_BOX_ROW, _COUNTS = (
    30,
    (580, 650, 704),
)  # a box's height with its gap, and where the columns of counts beside it end
_NAME_WIDTH, _NAME_HEIGHT = 40, 13  # what a pad's name takes up
_DASHES = {"clean": "", "foam": "7 4", "film": "2 3", "liquid": "9 3 2 3"}

Point = tuple[float, float]


class BoxSummary(NamedTuple):
    """Signed errors of one class in mm: ``quantiles`` 5, 25, 50, 75 and 95 %, the least and greatest; ``u``
    is the labels' own half width.
    """

    name: str
    counts: tuple[int, int, int]
    quantiles: tuple[float, float, float, float, float]
    least: float
    most: float
    u: float


class _Axes:
    """Two linear scales with round ticks that enclose the values given; x and y turn values into places."""

    def __init__(self, xs: Sequence[float], ys: Sequence[float], names: tuple[str, str], title: str) -> None:
        self.x_ticks, self.y_ticks = _ticks(min(xs), max(xs), 8), _ticks(min(ys), max(ys))
        self.names, self.title = names, title

    def x(self, value: float) -> float:
        return _LEFT + (value - self.x_ticks[0]) / (self.x_ticks[-1] - self.x_ticks[0]) * (
            _WIDTH - _LEFT - _RIGHT
        )

    def y(self, value: float) -> float:
        return (
            _HEIGHT
            - _BOTTOM
            - (value - self.y_ticks[0]) / (self.y_ticks[-1] - self.y_ticks[0]) * (_HEIGHT - _TOP - _BOTTOM)
        )

    def path(self, points: Sequence[Point]) -> str:
        return " ".join(f"{self.x(a):.1f},{self.y(b):.1f}" for a, b in points)

    def svg(self, marks: Sequence[str]) -> str:
        """The whole plot, ``marks`` above the grid."""
        parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(self.title)}">']
        for tick in self.y_ticks:
            kind = "zero" if tick == 0 else "grid"
            parts.append(
                f'<line class="{kind}" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" '
                f'y1="{self.y(tick):.1f}" y2="{self.y(tick):.1f}"/>'
            )
            parts.append(
                f'<text x="{_LEFT - 8}" y="{self.y(tick) + 4:.1f}" text-anchor="end">{tick:g}</text>'
            )
        parts += [
            f'<text x="{self.x(tick):.1f}" y="{_HEIGHT - _BOTTOM + 18}" text-anchor="middle">{tick:g}</text>'
            for tick in self.x_ticks
        ]
        middle = (_HEIGHT - _BOTTOM + _TOP) / 2
        parts += marks
        parts.append(
            f'<text x="{(_LEFT + _WIDTH - _RIGHT) / 2}" y="{_HEIGHT - 6}" '
            f'text-anchor="middle">{escape(self.names[0])}</text>'
        )
        parts.append(
            f'<text x="14" y="{middle}" text-anchor="middle" transform="rotate(-90 14 '
            f'{middle})">{escape(self.names[1])}</text></svg>'
        )
        return "".join(parts)


def error_plot(points: Sequence[tuple[float, float, float, str]]) -> str:
    """Error (mm) against true level (mm); each point is (level, mean error, standard deviation, name). At
    least one point.
    """
    reach = [m + sign * s for _, m, s, _ in points for sign in (-1, 1)]
    axes = _Axes([p[0] for p in points], [*reach, 0.0], ("level, mm", "error, mm"), "error against level")
    marks = []
    for level, mean, deviation, name in sorted(points):
        title = (
            f"{escape(name)}: level {level:g} mm, mean error {mean:.3g} mm, standard deviation "
            f"{deviation:.3g} mm"
        )
        marks.append(_whisker(axes, level, mean, mean - deviation, mean + deviation, title))
    return axes.svg(marks)


def level_plot(points: Sequence[tuple[float, float, float, float, float]]) -> str:
    """Error (mm) against true level (mm): (level, 5 %, 50 %, 95 % quantile of the error, half width of the
    label's own uncertainty). At least one point.
    """
    points = sorted(points)
    reach = [value for _, low, _, high, u in points for value in (low, high, -u, u)]
    axes = _Axes(
        [p[0] for p in points],
        [*reach, 0.0],
        ("level, mm", "error, mm"),
        "error against level with the uncertainty of the labels",
    )
    label = [(level, u) for level, *_, u in points] + [(level, -u) for level, *_, u in reversed(points)]
    marks = [f'<polygon class="shade" points="{axes.path(label)}"/>']
    for level, low, middle, high, _ in points:
        marks.append(
            _whisker(
                axes,
                level,
                middle,
                low,
                high,
                f"level {level:.4g} mm: 5 % {low:.3g}, median {middle:.3g}, 95 % {high:.3g} mm",
            )
        )
    return axes.svg(marks)


def _whisker(axes: _Axes, at: float, middle: float, low: float, high: float, title: str) -> str:
    x = f"{axes.x(at):.1f}"
    line = f'<line x1="{x}" x2="{x}" y1="{axes.y(high):.1f}" y2="{axes.y(low):.1f}" stroke-width="2"/>'
    return (
        f'<g class="mark"><title>{title}</title>{line}<circle cx="{x}" cy="{axes.y(middle):.1f}" '
        'r="3.5"/></g>'
    )


def class_plot(rows: Sequence[tuple[str, float, float]]) -> str:
    """Bars of a figure in mm by class: (name, pooled, worst group), the worst group as a stroke across. At
    least one row.
    """
    height = _TOP + _ROW * len(rows) + _BOTTOM
    ticks = _ticks(0.0, max(max(pooled, worst) for _, pooled, worst in rows))

    def x(value: float) -> float:
        return _NAME + value / ticks[-1] * (_WIDTH - _NAME - _RIGHT)

    foot = height - _BOTTOM
    parts = [
        f'<svg viewBox="0 0 {_WIDTH} {height}" role="img" aria-label="95th percentile of the error by class">'
    ]
    for tick in ticks:
        parts.append(
            f'<line class="{"grid" if tick else "zero"}" x1="{x(tick):.1f}" x2="{x(tick):.1f}" '
            f'y1="{_TOP}" y2="{foot}"/>'
        )
        parts.append(f'<text x="{x(tick):.1f}" y="{foot + 18}" text-anchor="middle">{tick:g}</text>')
    for k, (name, pooled, worst) in enumerate(rows):
        top = _TOP + k * _ROW + 4
        title = f"<title>{escape(name)}: P95 {pooled:.3g} mm, worst group {worst:.3g} mm</title>"
        parts.append(f'<text x="{_NAME - 8}" y="{top + 14}" text-anchor="end">{escape(name)}</text>')
        parts.append(
            f'<g class="mark">{title}<rect x="{_NAME}" y="{top}" '
            f'width="{x(pooled) - _NAME:.1f}" height="{_ROW - 8}" stroke="none" '
            'opacity="0.75"/></g>'
        )
        parts.append(
            f'<line class="worst" x1="{x(worst):.1f}" x2="{x(worst):.1f}" y1="{top - 3}" '
            f'y2="{top + _ROW - 5}" stroke-width="3"/>'
        )
    parts.append(
        f'<text x="{(_NAME + _WIDTH - _RIGHT) / 2}" y="{height - 6}" text-anchor="middle">95th '
        "percentile of |error|, mm</text></svg>"
    )
    return "".join(parts)


def box_plot(boxes: Sequence[BoxSummary]) -> str:
    """A box of signed errors (mm) for each class, frames, sessions and groups beside it. At least one box."""
    ticks = _ticks(
        min(0.0, *(min(b.least, -b.u) for b in boxes)), max(0.0, *(max(b.most, b.u) for b in boxes))
    )
    right, top = _COUNTS[0] - 60, _TOP + 18
    foot = top + _BOX_ROW * len(boxes)

    def x(value: float) -> float:
        return round(_NAME + (value - ticks[0]) / (ticks[-1] - ticks[0]) * (right - _NAME), 1)

    parts = [f'<svg viewBox="0 0 {_WIDTH} {foot + _BOTTOM}" role="img" aria-label="error by class">']
    parts += [
        f'<text x="{at}" y="{_TOP + 2}" text-anchor="end">{what}</text>'
        for at, what in zip(_COUNTS, ("frames", "sessions", "groups"), strict=True)
    ]
    for tick in ticks:
        parts.append(
            f'<line class="{"grid" if tick else "zero"}" x1="{x(tick)}" x2="{x(tick)}" '
            f'y1="{top}" y2="{foot}"/>'
        )
        parts.append(f'<text x="{x(tick)}" y="{foot + 18}" text-anchor="middle">{tick:g}</text>')
    for k, box in enumerate(boxes):
        middle = top + _BOX_ROW * k + _BOX_ROW // 2
        parts.append(f'<text x="{_NAME - 8}" y="{middle + 4}" text-anchor="end">{escape(box.name)}</text>')
        parts += [
            f'<text x="{at}" y="{middle + 4}" text-anchor="end">{count}</text>'
            for at, count in zip(_COUNTS, box.counts, strict=True)
        ]
        parts.append(_box(box, x, middle))
    parts.append(
        f'<text x="{(_NAME + right) / 2}" y="{foot + _BOTTOM - 6}" text-anchor="middle">error, '
        "mm</text></svg>"
    )
    return "".join(parts)


def _box(box: BoxSummary, x: Callable[[float], float], middle: int) -> str:
    """Shade for the label's uncertainty, whiskers, box and median, and a ring for each extreme."""
    low, left, median, right, high = (x(value) for value in box.quantiles)
    half = _BOX_ROW // 2 - 6
    quantiles = ", ".join(
        f"{what} {value:.3g}"
        for what, value in zip(("5 %", "25 %", "median", "75 %", "95 %"), box.quantiles, strict=True)
    )
    parts = [f"<title>{escape(box.name)}: {quantiles}, from {box.least:.3g} to {box.most:.3g} mm</title>"]
    if box.u > 0:
        parts.append(
            f'<rect class="shade" x="{x(-box.u)}" y="{middle - half - 4}" '
            f'width="{x(box.u) - x(-box.u):.1f}" height="{2 * half + 8}" stroke="none"/>'
        )
    parts.append(f'<line x1="{low}" x2="{high}" y1="{middle}" y2="{middle}" stroke-width="1.5"/>')
    parts += [
        f'<line x1="{at}" x2="{at}" y1="{middle - 5}" y2="{middle + 5}" stroke-width="1.5"/>'
        for at in (low, high)
    ]
    parts.append(
        f'<rect class="hollow" x="{left}" y="{middle - half}" width="{right - left:.1f}" '
        f'height="{2 * half}" stroke-width="1.5"/>'
    )
    parts.append(
        f'<line x1="{median}" x2="{median}" y1="{middle - half}" y2="{middle + half}" stroke-width="4"/>'
    )
    parts += [
        f'<circle class="hollow" cx="{x(value)}" cy="{middle}" r="2.5"/>' for value in (box.least, box.most)
    ]
    return f'<g class="mark">{"".join(parts)}</g>'


def front_plot(points: Sequence[tuple[float, float, str, bool]], allowed: float | None = None) -> str:
    """Candidates: (flash in bytes, error in mm, name, chosen); the front joined, the flash allowed as a
    dashed line. At least one point.
    """
    points = sorted(points)
    xs = [p[0] for p in points]
    shown = (
        allowed if allowed is not None and allowed <= 2 * max(xs) else None
    )  # far outside, it would press the points together
    axes = _Axes(
        [*xs, *([] if shown is None else [shown])],
        [*(p[1] for p in points), 0.0],
        ("flash, bytes", "error on the choose groups, mm"),
        "error against flash",
    )
    marks = [f'<polyline class="front" points="{axes.path(front(points))}"/>']
    if shown is not None:
        at = f"{axes.x(shown):.1f}"
        marks.append(
            f'<line class="zero" x1="{at}" x2="{at}" y1="{_TOP}" y2="{_HEIGHT - _BOTTOM}" '
            'stroke-dasharray="4 4"/>'
        )
    for flash, error, name, chosen in points:
        title = (
            f"<title>{escape(name)}: {flash:g} bytes, {error:.3g} mm{', chosen' if chosen else ''}</title>"
        )
        circle = f'<circle cx="{axes.x(flash):.1f}" cy="{axes.y(error):.1f}" r="{6 if chosen else 4}"/>'
        marks.append(f'<g class="{"mark" if chosen else "hollow"}">{title}{circle}</g>')
    return axes.svg(marks)


def front(points: Sequence[tuple[float, float, str, bool]]) -> list[Point]:
    """Of points in order of flash those that no smaller one beats."""
    best: list[Point] = []
    for flash, error, *_ in points:
        if not best or error < best[-1][1]:
            best.append((flash, error))
    return best


def risk_plot(curves: Mapping[str, Sequence[Point]], operating: Mapping[str, Point]) -> str:
    """By class a curve of (accepted share, P95 in mm), and the ``operating`` point as a diamond. At least one
    curve with a point.
    """
    every = [*(point for curve in curves.values() for point in curve), *operating.values()]
    axes = _Axes(
        [100 * a for a, _ in every],
        [*(b for _, b in every), 0.0],
        ("accepted, %", "95th percentile of |error|, mm"),
        "risk against acceptance",
    )
    marks = []
    for k, (name, curve) in enumerate(curves.items()):
        line = [(100 * a, b) for a, b in curve]
        look = f'class="front" stroke-dasharray="{_DASHES.get(name, "")}"'
        marks.append(f'<polyline {look} points="{axes.path(line)}"/>')
        marks += [
            f'<g class="mark"><title>{escape(name)}: {a:.3g} %, {b:.3g} mm</title><circle '
            f'cx="{axes.x(a):.1f}" cy="{axes.y(b):.1f}" r="2.5"/></g>'
            for a, b in line
        ]
        if name in operating:
            share, error = operating[name]
            x, y = axes.x(100 * share), axes.y(error)
            marks.append(
                f'<g class="mark"><title>{escape(name)}, as the model is: {100 * share:.3g} %, {error:.3g} mm'
                f'</title><path d="M{x - 5:.1f} {y:.1f}L{x:.1f} {y - 5:.1f}L{x + 5:.1f} {y:.1f}L{x:.1f} '
                f'{y + 5:.1f}Z"/></g>'
            )
        left, top = _LEFT + 14 + 110 * k, _TOP - 8  # above the highest line
        marks.append(
            f'<line {look} x1="{left}" x2="{left + 32}" y1="{top}" y2="{top}"/><text '
            f'x="{left + 38}" y="{top + 4}">{escape(name)}</text>'
        )
    return axes.svg(marks)


def _ticks(low: float, high: float, count: int = 5) -> list[float]:
    """Round numbers that enclose [low, high], some ``count`` of them."""
    if high <= low:
        low, high = low - 1, high + 1
    raw = (high - low) / count
    power = math.floor(math.log10(raw))
    step = next(m for m in (1.0, 2.0, 5.0, 10.0) if m * 10.0**power >= raw * 0.999) * 10.0**power
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(k * step, 12) for k in range(first, last + 1)]


def response_plot(curves: Sequence[tuple[str, Sequence[Point]]]) -> str:
    """Each pad's share of its own range against level (mm): (name, points), at least one point; a line a pad,
    its name where it passes half.
    """
    xs = [x for _, points in curves for x, _ in points]
    axes = _Axes(
        xs, (0.0, 1.0), ("level, mm", "share of the pad's range"), "response of the pads against level"
    )
    marks, named = [], list[Point]()
    for name, points in curves:
        marks.append(
            f'<polyline class="front" points="{axes.path(points)}"><title>{escape(name)}</title></polyline>'
        )
        x, y = axes.x(_at_half(points)) + 4, axes.y(0.5)
        while any(abs(x - a) < _NAME_WIDTH and abs(y - b) < _NAME_HEIGHT for a, b in named):
            y += 1  # below the names that are there
        named.append((x, y))
        marks.append(f'<text x="{x:.1f}" y="{y:.1f}">{escape(name)}</text>')
    return axes.svg(marks)


def _at_half(points: Sequence[Point]) -> float:
    """Where the first piece of the line that crosses one half does so; the first point of one that never
    does.
    """
    for (a, low), (b, high) in pairwise(points):
        if min(low, high) <= 0.5 <= max(low, high) and low != high:
            return a + (0.5 - low) / (high - low) * (b - a)
    return points[0][0]
