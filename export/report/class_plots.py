"""Plots of errors by class of frames and by unit, and the course of single sessions, as inline SVG; see
:mod:`export.report.axes`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from math import nan

from export.report.axes import (
    FOOT,
    LEFT,
    RIGHT,
    WIDTH,
    Panel,
    Point,
    Scale,
    dot,
    drawing,
    foot,
    key,
    line_sign,
    look,
    strips,
)
from export.report.html import counted
from export.report.plots import upright, whisker
from training.judging.figures import LevelBin, SessionTrace, UnitErrors

_KINDS = {"withheld": "gone", "stated": "known"}  # classes of the style sheet
_UNIT = 58  # height of a unit: its name, and a line for each of three classes
_ORDER = ("clean", "foam", "film")  # as they are named; drawn from the last, so that clean is not hidden


def level_class_plot(bins: Mapping[str, Sequence[LevelBin]], coverage: float) -> str:
    """Signed error (mm) against true level (mm), a panel a class, each with its own scale upwards; the
    labels' uncertainty shaded, ``coverage`` times it to either side. At least one bin of one class.
    """
    x = Scale([row.level_mm for rows in bins.values() for row in rows] + [0.0], LEFT, WIDTH - RIGHT, 8)
    parts, top = list[str](), 0.0
    for name, rows in bins.items():
        shades = [(row.level_mm, coverage * (row.label_u_mm or 0.0)) for row in rows]
        around = [*shades, *((level, -u) for level, u in reversed(shades))]
        reach = [end for row in rows for end in (row.p05_mm, row.p95_mm)]
        panel = Panel(x, [*reach, *(u for _, u in around)], f"{name}: error, mm", top, 110, 4)
        parts += [f'<polygon class="shade" points="{panel.path(around)}"/>', *panel.grid()]
        parts += [whisker(panel, name, row.level_mm, (row.p05_mm, row.p50_mm, row.p95_mm)) for row in rows]
        top = panel.bottom + 6
    parts += foot(x, top - 6, "true level, mm")
    return drawing("Error against level by class", ", ".join(bins), top - 6 + FOOT, parts)


def predicted_plot(points: Mapping[str, Sequence[Point]]) -> str:
    """Predicted against true level (mm) by class: (true, predicted); the line is where both are the same. At
    least one point.
    """
    every = [value for of_class in points.values() for point in of_class for value in point]
    signs, top = key([(dot(name, 13, 0), name) for name in points], 0)
    x = Scale([*every, 0.0], LEFT, WIDTH - RIGHT, 8)
    panel = Panel(x, [*every, 0.0], "predicted level, mm", top, 340, 8)
    ends = max(x.low, panel.y.low), min(x.high, panel.y.high)
    parts = [*signs, *panel.grid()]
    parts.append(f'<path class="truth" d="{panel.line((end, end) for end in ends)}"/>')
    for name in sorted(points, key=_layer, reverse=True):
        parts += [
            dot(name, x(true), panel.y(level), f"{escape(name)}: true {true:g}, predicted {level:g} mm")
            for true, level in points[name]
        ]
    parts += panel.foot("true level, mm")
    return drawing("Predicted against true level", ", ".join(points), panel.bottom + FOOT, parts)


def _layer(name: str) -> int:
    return _ORDER.index(name) if name in _ORDER else len(_ORDER)


def unit_plot(units: Sequence[UnitErrors]) -> str:
    """Signed errors (mm) of each unit as a strip: a mark for every class's readings, a line from the 5 % to
    the 95 % quantile of all. At least one unit.
    """
    names = sorted({name for unit in units for name in unit.errors_mm}, key=_layer)
    signs, top = key([(dot(name, 13, 0), name) for name in names], 0)
    every = [error for unit in units for errors in unit.errors_mm.values() for error in errors]
    ends = [end for unit in units for end in (unit.p05_mm, unit.p95_mm)]
    x, bottom = Scale([*every, *ends, 0.0], LEFT, WIDTH - RIGHT, 8), top + _UNIT * len(units)
    parts = [*signs, *upright(x, bottom, top)]
    for k, unit in enumerate(units):
        y = top + _UNIT * k
        middle = y + 40
        parts.append(f'<text x="{LEFT}" y="{y + 18:g}">{escape(unit.unit)}</text>')
        parts.append(
            f'<line class="zero" x1="{x(unit.p05_mm):g}" x2="{x(unit.p95_mm):g}" y1="{middle:g}" '
            f'y2="{middle:g}" stroke-width="2"><title>{escape(unit.unit)}: 5 % {unit.p05_mm:.3g}, median '
            f"{unit.p50_mm:.3g}, 95 % {unit.p95_mm:.3g} mm</title></line>"
        )
        for at, name in enumerate(names):
            parts += [
                dot(name, x(error), middle + 10 * (at - 1), f"{escape(name)}: {error:.3g} mm")
                for error in unit.errors_mm.get(name, ())
            ]
    parts += foot(x, bottom, "error, mm")
    return drawing("Error by unit", counted(len(units), "unit"), bottom + FOOT, parts)


def trace_plot(trace: SessionTrace, span_mm: float, *, band: bool) -> str:
    """One session: true and read level (mm) over time (s), the ``band`` where one is given, and below them
    what was withheld, flagged and stated when. At least one frame.
    """
    entries = [('<line class="truth" x1="0" x2="26" y1="0" y2="0"/>', "true level")]
    entries.append((line_sign("clean"), "reading"))
    if band:
        entries.append(('<rect class="s1 band" x="0" y="-5" width="26" height="10"/>', "band"))
    signs, top = key(entries, 0)
    ends = [run[-1] for runs in trace.runs.values() for run in runs if run]  # frames between those drawn too
    x = Scale([0.0, *trace.t_s, *ends], LEFT, WIDTH - RIGHT, 8, tight=True)
    panel = Panel(x, [0.0, span_mm, *trace.label_mm], "level, mm", top, 200)
    parts = [*signs, *panel.grid()]
    if band:
        parts += _band(panel, trace)
    truth = list(zip(trace.t_s, trace.label_mm, strict=False))
    read = [(t, nan if level is None else level) for t, level in zip(trace.t_s, trace.level_mm, strict=False)]
    parts.append(f'<path class="truth" d="{panel.line(truth)}"/>')
    parts.append(f'<path class="{look("clean")} front" d="{panel.line(read)}"/>')
    parts += [
        f'<circle class="{look("clean")} mark" cx="{x(t):g}" cy="{panel.y(level):g}" r="1.6"/>'
        for t, level in read
        if level == level  # noqa: PLR0124 - a level that was not given is not a number
    ]
    rows = [
        (
            name,
            _KINDS.get(name.partition(":")[0], "stretch"),
            [(run[0], run[-1]) for run in runs if run],
        )
        for name, runs in trace.runs.items()
    ]
    below, height = strips(x, panel.bottom + 4, rows)
    bottom = panel.bottom + 4 + height
    parts += [*below, *foot(x, bottom, "time since the first labelled frame, s")]
    desc = f"unit {trace.unit}, {trace.liquid}, {counted(trace.frames, 'labelled frame')}"
    return drawing(f"Session {trace.session}", desc, bottom + FOOT, parts)


def _band(panel: Panel, trace: SessionTrace) -> list[str]:
    """A field for each unbroken stretch in which a band was given."""
    fields, current = list[str](), list[tuple[float, float, float]]()
    for t, low, high in [*zip(trace.t_s, trace.low_mm, trace.high_mm, strict=False), (nan, None, None)]:
        if low is not None and high is not None:
            current.append((t, low, high))
            continue
        if len(current) > 1:
            around = [(at, value) for at, value, _ in current]
            around += [(at, value) for at, _, value in reversed(current)]
            fields.append(f'<polygon class="s1 band" points="{panel.path(around)}"/>')
        current = []
    return fields
