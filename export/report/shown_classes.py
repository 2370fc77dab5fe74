"""The report's sections that show a model's readings of unseen groups: predicted against true, error against
level by class, error by unit, and its worst sessions over time.
"""

from __future__ import annotations

from html import escape

from export.report.class_plots import level_class_plot, predicted_plot, trace_plot, unit_plot
from export.report.html import counted, number, svg_figure, unbroken
from training.judging.figures import Figures, SessionTrace

# standard uncertainties to either side: about 95 % of a normal distribution (JCGM 100:2008, 6.2 and G.1.3)
COVERAGE = 2
_ORDER = ("clean", "foam", "film")


def predicted_section(claims: Figures) -> list[str]:
    """Readings against labels; nothing for models of versions that did not keep them."""
    kept = claims.predicted or {}
    points = {
        name: [(point[0], point[1]) for point in kept.get(name, ()) if len(point) == 2] for name in _ORDER
    }
    points = {name: of_class for name, of_class in points.items() if of_class}
    if not points:
        return []
    caption = (
        "Accepted readings on unseen groups, by class. The line is where a reading equals its label. Of "
        "each class are shown some readings evenly spaced by level, and those furthest off: the picture "
        "shows more large errors than there are."
    )
    return ["<h2>Predicted against true</h2>", svg_figure(predicted_plot(points), caption)]


def level_class_section(claims: Figures) -> list[str]:
    """Error against level, a panel a class; nothing for models of versions that did not keep it."""
    kept = claims.by_class_level or {}
    bins = {name: kept[name] for name in _ORDER if kept.get(name)}
    if not bins:
        return []
    caption = (
        "Signed error of accepted readings on unseen groups, above 0 too high, in bins of a twentieth of "
        "the span. Mark: the median. Line: 5 % to 95 % of the bin's frames. Each class has its own scale. "
        "Shaded: two standard uncertainties of the labels to either side, where they are known."
    )
    return ["<h2>Error against level</h2>", svg_figure(level_class_plot(bins, COVERAGE), caption)]


def unit_figure(claims: Figures) -> list[str]:
    """Error by unit; nothing for models of versions that did not keep it."""
    units = [unit for unit in claims.units or () if any(unit.errors_mm.values())]
    if not units:
        return []
    caption = (
        "Signed error of accepted readings of liquid by unit. Marks: fifteen readings of each class, from "
        "the least error to the greatest in equal shares. Line: 5 % to 95 % of all. Of more than 24 units "
        "those with the largest errors."
    )
    return [svg_figure(unit_plot(units), caption)]


def traces_section(claims: Figures) -> list[str]:
    """The worst sessions over time; nothing for models of versions that did not keep them."""
    traces = [trace for trace in claims.traces or () if trace.t_s and trace.label_mm]
    if not traces:
        return []
    said = (
        "The sessions of the prove groups with the largest errors, and the one that was withheld most "
        "where it is none of these. They are frames of the one opening of 'prove' that gave the figures "
        "above, read by the same model: nothing was opened again, and nothing was chosen by them."
    )
    span = claims.span_mm or max(max(trace.label_mm) for trace in traces)
    figures = [
        svg_figure(trace_plot(trace, span, band=claims.band is not None), _told(trace)) for trace in traces
    ]
    return ["<h2>Worst sessions</h2>", f"<p>{said}</p>", *figures]


def _told(trace: SessionTrace) -> str:
    error = (
        "no reading was accepted" if trace.p95_mm is None else f"P95 of the error {number(trace.p95_mm)} mm"
    )
    return (
        f"Session {unbroken(f'<code>{escape(trace.session)}</code>')}: unit {escape(trace.unit)}, "
        f"{escape(trace.liquid)}, {counted(trace.frames, 'labelled frame')}, {error}, "
        f"{number(trace.withheld_share, percent=True)} withheld."
    )
