"""Control charts: what a check standard measured, day by day, between its limits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from innage.pictures.figures import figure, fitted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.admission.control_chart import Chart
    from dataset.records import CheckStandard

MOST_LABELS = 12


def draw_chart(path: Path, standard: CheckStandard, charts: Sequence[Chart]) -> None:
    """A panel for each channel into ``path``: values by date, centre and limits; filled marks are out."""
    with figure(path, 8.0, 1.2 + 1.7 * len(charts)) as drawn:
        axes = np.atleast_1d(drawn.subplots(len(charts), 1, sharex=True))
        for ax, chart in zip(axes, charts, strict=True):
            x = np.arange(len(chart.values))
            ax.plot(x, chart.values, "o-", color="tab:blue", markerfacecolor="none", linewidth=1.0)
            out = list(chart.out)
            ax.plot(out, [chart.values[k] for k in out], "o", color="tab:red")
            if chart.limits is not None:
                ax.axhline(chart.limits.centre, color="0.5", linewidth=0.8)
                for limit in (chart.limits.low, chart.limits.high):
                    ax.axhline(limit, color="tab:red", linestyle="--", linewidth=0.8)
                if chart.baseline < len(x):
                    ax.axvline(chart.baseline - 0.5, color="0.7", linestyle=":", linewidth=0.8)
            ax.ticklabel_format(axis="y", useOffset=False, style="plain")  # counts as they are, no '+1.19e4'
            ax.set_ylabel(fitted(chart.channel, 18))
        step = max(1, -(-len(charts[0].dates) // MOST_LABELS))
        ticks = list(range(0, len(charts[0].dates), step))
        axes[-1].set_xticks(ticks, [charts[0].dates[k] for k in ticks], rotation=30, ha="right")
        title = f"check standard {standard.name}, sensor {standard.sensor.ref}: mean counts"
        drawn.suptitle(fitted(title, 90), fontsize=9)
