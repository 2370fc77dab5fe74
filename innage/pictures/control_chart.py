"""Control charts: what a check standard measured, day by day, between its limits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from innage.pictures.figures import BLUE, RED, figure, fitted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from dataset.admission.control_chart import Chart
    from dataset.records import CheckStandard

MOST_LABELS = 12


def draw_chart(path: Path, standard: CheckStandard, charts: Sequence[Chart]) -> None:
    """Panels for each channel into ``path``: a day's mean by date, centre and limits, and where days were
    measured several times their standard deviation; filled marks are out.
    """
    panels = [
        (chart, spread) for chart in charts for spread in (False, True) if not spread or _several(chart)
    ]
    with figure(path, 8.0, 1.2 + 1.7 * len(panels)) as drawn:
        axes = np.atleast_1d(drawn.subplots(len(panels), 1, sharex=True))
        for ax, (chart, spread) in zip(axes, panels, strict=True):
            (_draw_spread if spread else _draw_means)(ax, chart)
            if chart.limits is not None and chart.baseline < len(chart.values):
                ax.axvline(chart.baseline - 0.5, color="0.7", linestyle=":", linewidth=0.8)
            ax.ticklabel_format(axis="y", useOffset=False, style="plain")  # counts as they are, no '+1.19e4'
            ax.set_ylabel(fitted(f"s, {chart.channel}" if spread else chart.channel, 18))
        step = max(1, -(-len(charts[0].dates) // MOST_LABELS))
        ticks = list(range(0, len(charts[0].dates), step))
        axes[-1].set_xticks(ticks, [charts[0].dates[k] for k in ticks], rotation=30, ha="right")
        title = f"check standard {standard.name}, sensor {standard.sensor.ref}: mean counts"
        drawn.suptitle(fitted(title, 90), fontsize=9)


def _several(chart: Chart) -> bool:
    return any(value is not None for value in chart.spread.values)


def _draw_means(ax: Axes, chart: Chart) -> None:
    ax.plot(range(len(chart.values)), chart.values, "o-", color=BLUE, markerfacecolor="none", linewidth=1.0)
    out = list(chart.out)
    ax.plot(out, [chart.values[k] for k in out], "o", color=RED)
    if chart.limits is not None:
        ax.axhline(chart.limits.centre, color="0.5", linewidth=0.8)
        for limit in (chart.limits.low, chart.limits.high):
            ax.axhline(limit, color=RED, linestyle="--", linewidth=0.8)


def _draw_spread(ax: Axes, chart: Chart) -> None:
    """Limits are steps: they follow from how often a day was measured."""
    spread = chart.spread
    days = [(k, value) for k, value in enumerate(spread.values) if value is not None]
    ax.plot(
        [k for k, _ in days],
        [value for _, value in days],
        "o-",
        color=BLUE,
        markerfacecolor="none",
        linewidth=1.0,
    )
    out = [(k, value) for k, value in days if k in spread.out]
    ax.plot([k for k, _ in out], [value for _, value in out], "o", color=RED)
    limits = [(k, of_day) for k, _ in days if (of_day := spread.limits(spread.numbers[k])) is not None]
    if limits:
        places = [k for k, _ in limits]
        ax.step(places, [of_day.centre for _, of_day in limits], where="mid", color="0.5", linewidth=0.8)
        for ends in ([d.low for _, d in limits], [d.high for _, d in limits]):
            ax.step(places, ends, where="mid", color=RED, linestyle="--", linewidth=0.8)
