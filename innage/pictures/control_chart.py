"""Control charts: what a check standard measured, day by day, between its limits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from innage.pictures.figures import BLUE, RED, figure, fitted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from dataset.admission.control_chart import Chart
    from dataset.records import CheckStandard

MOST_LABELS = 12


def draw_chart(path: Path, standard: CheckStandard, charts: Sequence[Chart]) -> None:
    """A row for each channel into ``path``: a day's mean by date, centre and limits; to the right, where days
    were measured several times, their standard deviation.
    """
    columns = 2 if any(map(_several, charts)) else 1
    with figure(path, 6.0 * columns, 1.4 + 1.5 * len(charts)) as drawn:
        axes = drawn.subplots(len(charts), columns, sharex=True, squeeze=False)
        for row, chart in zip(axes, charts, strict=True):
            _draw_means(row[0], chart)
            row[0].set_ylabel(fitted(chart.channel, 18))
            if columns > 1:
                _draw_spread(row[1], chart)
            for ax in row:
                if chart.limits is not None and chart.baseline < len(chart.values):
                    ax.axvline(chart.baseline - 0.5, color="0.4", linestyle=":", linewidth=1.0)
                ax.ticklabel_format(axis="y", useOffset=False, style="plain")  # counts, no '+1.19e4'
        for ax, title in zip(
            axes[0], ("mean counts of each day", "standard deviation within a day"), strict=False
        ):
            ax.set_title(title, fontsize=8, loc="left")
        dates = charts[0].dates
        step = max(1, -(-len(dates) // MOST_LABELS))
        ticks = list(range(0, len(dates), step))
        for ax in axes[-1]:
            ax.set_xticks(ticks, [dates[k] for k in ticks], rotation=30, ha="right", fontsize=7)
        drawn.suptitle(
            fitted(f"check standard {standard.name}, sensor {standard.sensor.ref}", 90), fontsize=9
        )
        drawn.supxlabel(_key(charts[0]), fontsize=7)


def _key(chart: Chart) -> str:
    if chart.limits is None:
        return "no limits yet"
    days = min(chart.baseline, len(chart.values))
    until = "; they rest on the days before the dotted line" if days < len(chart.values) else ""
    return f"dashed: limits{until}; filled: out of limits"


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
