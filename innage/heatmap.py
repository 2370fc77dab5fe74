"""The matrix of what was captured, as a heat map: one panel a tank and sensor, one row a line, one column a level band."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from innage.figures import figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dataset.gaps import Gaps, Line

ROW_IN = 0.34  # height of a row, inches
FRAME_IN = 1.25  # title, axis and their labels


def draw_gaps(gaps: Gaps, path: Path) -> None:
    """Write the heat map; InputError for a suffix that isn't known or a place that can't be written."""
    panels = sorted({(line.tank, line.sensor) for line in gaps.lines})
    rows = [[line for line in gaps.lines if (line.tank, line.sensor) == panel] for panel in panels]
    most = max((count for line in gaps.lines for count in line.bands), default=1)
    heights = [ROW_IN * len(lines) + FRAME_IN for lines in rows]
    with figure(path, 8.5, sum(heights)) as made:
        axes = made.subplots(len(panels), 1, squeeze=False, height_ratios=heights)[:, 0]
        for ax, (tank, sensor), lines in zip(axes, panels, rows, strict=True):
            _panel(ax, lines, gaps.bands, gaps.spans[tank], most)
            ax.set_title(f"{tank}, {sensor}: independent sessions / units", fontsize=9, loc="left")


def _panel(ax: Axes, lines: list[Line], bands: int, span_mm: float, most: int) -> None:
    from matplotlib.colors import ListedColormap

    counts = np.array([line.bands for line in lines])
    # white is kept for 'none': one session must not look like nothing
    blues = ListedColormap(np.vstack([[1, 1, 1, 1], np.linspace([0.80, 0.88, 0.95, 1], [0.03, 0.19, 0.42, 1], max(most, 2))]))
    ax.imshow(counts, cmap=blues, vmin=0, vmax=max(most, 2), aspect="auto", interpolation="nearest")
    for (row, band), count in np.ndenumerate(counts):
        dark = count > max(most, 2) / 2
        text = f"{count}/{lines[row].band_units[band]}" if count else "none"
        ax.text(band, row, text, ha="center", va="center", fontsize=7, color="white" if dark else "black" if count else "0.6")
    ax.grid(visible=False)
    ax.set_xticks(np.arange(bands + 1) - 0.5, [f"{span_mm * k / bands:g}" for k in range(bands + 1)], fontsize=7)
    ax.set_yticks(range(len(lines)), [f"{line.liquid}; {line.condition}; {line.warmth}" for line in lines], fontsize=7)
    ax.set_xlabel("level, mm above the datum", fontsize=8)
