"""Plots of what a model was found to do, as inline SVG; see :mod:`export.report.axes`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from itertools import pairwise
from typing import NamedTuple

from export.report.axes import (
    FOOT,
    LEFT,
    LETTER,
    RIGHT,
    WIDTH,
    Panel,
    Point,
    Scale,
    dashes,
    dot,
    drawing,
    foot,
    key,
    line_sign,
    look,
)
from export.report.html import counted

_HEIGHT = 230  # of a plot's field
_NAMED, _BAR = 24, 20  # heights: the line with a row's name, and the row's bar or box below it
_ROW = _NAMED + _BAR + 8


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


def _across(values: Sequence[float], count: int = 8) -> Scale:
    return Scale(values, LEFT, WIDTH - RIGHT, count)


def error_plot(points: Sequence[tuple[float, float, float, str]]) -> str:
    """Error (mm) against true level (mm); each point is (level, mean error, standard deviation, name). At
    least one point.
    """
    reach = [m + sign * s for _, m, s, _ in points for sign in (-1, 1)]
    panel = Panel(_across([p[0] for p in points]), [*reach, 0.0], "error, mm", 0, _HEIGHT)
    marks = panel.grid()
    for level, mean, deviation, name in sorted(points):
        title = (
            f"{escape(name)}: level {level:g} mm, mean error {mean:.3g} mm, standard deviation "
            f"{deviation:.3g} mm"
        )
        marks.append(whisker(panel, "all", level, (mean - deviation, mean, mean + deviation), title))
    return _plot("Error against level", counted(len(points), "group"), panel, marks, "true level, mm")


def _plot(title: str, desc: str, panel: Panel, marks: Sequence[str], across: str) -> str:
    return drawing(title, desc, panel.bottom + FOOT, [*marks, *panel.foot(across)])


def level_plot(points: Sequence[tuple[float, float, float, float, float]]) -> str:
    """Error (mm) against true level (mm): (level, 5 %, 50 %, 95 % quantile of the error, half width of the
    label's own uncertainty). At least one point.
    """
    points = sorted(points)
    reach = [value for _, low, _, high, u in points for value in (low, high, -u, u)]
    panel = Panel(_across([p[0] for p in points]), [*reach, 0.0], "error, mm", 0, _HEIGHT)
    label = [(level, u) for level, *_, u in points] + [(level, -u) for level, *_, u in reversed(points)]
    marks = [f'<polygon class="shade" points="{panel.path(label)}"/>', *panel.grid()]
    for level, low, middle, high, _ in points:
        marks.append(whisker(panel, "all", level, (low, middle, high)))
    desc = f"{counted(len(points), 'bin')} of the level, and the uncertainty of the labels"
    return _plot("Error against level", desc, panel, marks, "true level, mm")


def whisker(panel: Panel, name: str, level: float, ends: tuple[float, float, float], title: str = "") -> str:
    """The median of a bin's errors as the mark of its class, and a line from the least to the greatest of
    ``ends``, 5 %, 50 % and 95 %.
    """
    x, (low, middle, high) = panel.x(level), ends
    said = title or f"level {level:.4g} mm: 5 % {low:.3g}, median {middle:.3g}, 95 % {high:.3g} mm"
    line = f'x1="{x:g}" x2="{x:g}" y1="{panel.y(high):g}" y2="{panel.y(low):g}"'
    return (
        f'<g class="{look(name)} mark"><title>{said}</title><line {line} stroke-width="2"/></g>'
        f"{dot(name, x, panel.y(middle))}"
    )


def class_plot(rows: Sequence[tuple[str, float, float]]) -> str:
    """Bars of a figure in mm by class: (name, pooled, worst group), the worst group as a stroke across. At
    least one row.
    """
    x, bottom = _across([0.0, *(value for _, *two in rows for value in two)], 6), _ROW * len(rows)
    parts = upright(x, bottom)
    for k, (name, pooled, worst) in enumerate(rows):
        top = _ROW * k + _NAMED
        title = f"<title>{escape(name)}: P95 {pooled:.3g} mm, worst group {worst:.3g} mm</title>"
        parts.append(f'<text x="{LEFT}" y="{top - 6}">{escape(name)}</text>')
        parts.append(
            f'<g class="mark">{title}<rect x="{LEFT}" y="{top}" width="{x(pooled) - LEFT:.1f}" '
            f'height="{_BAR}" stroke="none" opacity="0.75"/></g>'
        )
        parts.append(
            f'<line class="worst" x1="{x(worst):g}" x2="{x(worst):g}" y1="{top - 3}" '
            f'y2="{top + _BAR + 3}" stroke-width="3"/>'
        )
    parts += foot(x, bottom, "95th percentile of |error|, mm")
    return drawing("95th percentile of the error by class", _listed(rows), bottom + FOOT, parts)


def _listed(rows: Sequence[tuple[str, float, float]]) -> str:
    return "; ".join(f"{name}: {pooled:.3g} mm, worst group {worst:.3g} mm" for name, pooled, worst in rows)


def upright(x: Scale, bottom: float, top: float = 0.0) -> list[str]:
    """Grid lines from ``top`` to ``bottom``."""
    return [
        f'<line class="{"grid" if tick else "zero"}" x1="{x(tick):g}" x2="{x(tick):g}" y1="{top:g}" '
        f'y2="{bottom:g}"/>'
        for tick in x.ticks
    ]


def box_plot(boxes: Sequence[BoxSummary]) -> str:
    """A box of signed errors (mm) for each class, frames, sessions and groups above it. At least one box."""
    reach = [0.0, *(end for b in boxes for end in (b.least, -b.u, b.most, b.u))]
    x, bottom = _across(reach, 6), _ROW * len(boxes)
    parts = upright(x, bottom)
    for k, box in enumerate(boxes):
        top = _ROW * k + _NAMED
        frames, sessions, groups = box.counts
        counts = zip((frames, sessions, groups), ("frame", "session", "group"), strict=True)
        words = f"{box.name}: {', '.join(counted(count, what) for count, what in counts)}"
        parts.append(f'<text x="{LEFT}" y="{top - 6}">{escape(words)}</text>')
        parts.append(_box(box, x, top + _BAR // 2))
    desc = "; ".join(f"{box.name}: median {box.quantiles[2]:.3g} mm" for box in boxes)
    return drawing("Error by class", desc, bottom + FOOT, [*parts, *foot(x, bottom, "error, mm")])


def _box(box: BoxSummary, x: Scale, middle: int) -> str:
    """Shade for the label's uncertainty, whiskers, box and median, and a ring for each extreme."""
    low, left, median, right, high = (x(value) for value in box.quantiles)
    half = _BAR // 2 - 2
    quantiles = ", ".join(
        f"{what} {value:.3g}"
        for what, value in zip(("5 %", "25 %", "median", "75 %", "95 %"), box.quantiles, strict=True)
    )
    parts = [f"<title>{escape(box.name)}: {quantiles}, from {box.least:.3g} to {box.most:.3g} mm</title>"]
    if box.u > 0:
        parts.append(
            f'<rect class="shade" x="{x(-box.u)}" y="{middle - half - 3}" '
            f'width="{x(box.u) - x(-box.u):.1f}" height="{2 * half + 6}" stroke="none"/>'
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
    across = _across([*xs, *([] if shown is None else [shown])], 6)
    panel = Panel(across, [*(p[1] for p in points), 0.0], "error on the choose groups, mm", 0, _HEIGHT)
    marks = [*panel.grid(), f'<polyline class="front" points="{panel.path(front(points))}"/>']
    if shown is not None:
        at = f"{across(shown):g}"
        marks.append(
            f'<line class="zero" x1="{at}" x2="{at}" y1="{panel.top:g}" y2="{panel.bottom:g}" '
            'stroke-dasharray="4 4"/>'
        )
    for flash, error, name, chosen in points:
        title = (
            f"<title>{escape(name)}: {flash:g} bytes, {error:.3g} mm{', chosen' if chosen else ''}</title>"
        )
        circle = f'<circle cx="{across(flash):g}" cy="{panel.y(error):g}" r="{6 if chosen else 4}"/>'
        marks.append(f'<g class="{"mark" if chosen else "hollow"}">{title}{circle}</g>')
    return _plot("Error against flash", counted(len(points), "candidate"), panel, marks, "flash, bytes")


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
    entries = [(line_sign(name), name) for name in curves]
    if operating:
        entries.append((f'<g class="s0 hollow">{_diamond(13, 0)}</g>', "the model as it is"))
    signs, height = key(entries, 0)
    across = _across([100 * a for a, _ in every])
    panel = Panel(across, [*(b for _, b in every), 0.0], "95th percentile of |error|, mm", height, _HEIGHT)
    marks = [*signs, *panel.grid()]
    for name, curve in curves.items():
        line = [(100 * a, b) for a, b in curve]
        marks.append(f'<polyline class="{look(name)} front"{dashes(name)} points="{panel.path(line)}"/>')
        marks += [dot(name, across(a), panel.y(b), f"{escape(name)}: {a:.3g} %, {b:.3g} mm") for a, b in line]
        if name in operating:
            share, error = operating[name]
            x, y = across(100 * share), panel.y(error)
            marks.append(
                f'<g class="{look(name)} hollow"><title>{escape(name)}, as the model is: {100 * share:.3g} '
                f"%, {error:.3g} mm</title>{_diamond(x, y)}</g>"
            )
    return _plot("Risk against acceptance", ", ".join(curves), panel, marks, "accepted, %")


def _diamond(x: float, y: float) -> str:
    return f'<path d="M{x - 8:g} {y:g}l8 -8l8 8l-8 8z" stroke-width="2"/>'


def response_plot(curves: Sequence[tuple[str, Sequence[Point]]]) -> str:
    """Each pad's share of its own range against level (mm): (name, points), at least one point; a line a pad,
    its name where it passes half.
    """
    across = _across([x for _, points in curves for x, _ in points])
    panel = Panel(across, (0.0, 1.0), "share of the pad's range", 0, _HEIGHT)
    marks, names, taken = panel.grid(), list[str](), list[tuple[float, float, float]]()
    for name, points in curves:
        marks.append(
            f'<polyline class="front" points="{panel.path(points)}"><title>{escape(name)}</title></polyline>'
        )
        x, y, wide = across(_at_half(points)) + 4, panel.y(0.5), LETTER * len(name)
        while any(x < end and x + wide > start and abs(y - b) < _NAME_HEIGHT for start, end, b in taken):
            y += 1  # below the names that are there
        taken.append((x, x + wide, y))
        names.append(f'<text x="{x:g}" y="{y:g}">{escape(name)}</text>')
    return _plot("Response of the pads", counted(len(curves), "pad"), panel, [*marks, *names], "level, mm")


_NAME_HEIGHT = 18  # of a pad's name


def _at_half(points: Sequence[Point]) -> float:
    """Where the first piece of the line that crosses one half does so; the first point of one that never
    does.
    """
    for (a, low), (b, high) in pairwise(points):
        if min(low, high) <= 0.5 <= max(low, high) and low != high:
            return a + (0.5 - low) / (high - low) * (b - a)
    return points[0][0]
