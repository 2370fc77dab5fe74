"""The matrix of what was captured, as a heat map: one panel a tank and sensor, one row a line, one column a
level band.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from innage.pictures.figures import figure, fitted, ink_on

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dataset.coverage.gaps import Gaps, GapsLine

ROW_IN = 0.34  # height of a row, inches
LABEL, TITLE = 72, 80  # characters of a row's label and of the title on a line
FRAME_IN = 1.25  # title, axis and their labels


def draw_gaps(gaps: Gaps, path: Path) -> None:
    """Write the heat map; InputError for a suffix that isn't known or a place that can't be written."""
    panels = sorted({(line.tank, line.sensor) for line in gaps.lines})
    rows = [[line for line in gaps.lines if (line.tank, line.sensor) == panel] for panel in panels]
    most = max((count for line in gaps.lines for count in line.bands), default=1)
    heights = [ROW_IN * len(lines) + FRAME_IN for lines in rows]
    with figure(path, 8.5, sum(heights)) as drawn:
        axes = drawn.subplots(len(panels), 1, squeeze=False, height_ratios=heights)[:, 0]
        for ax, (tank, sensor), lines in zip(axes, panels, rows, strict=True):
            _panel(ax, lines, gaps.bands, gaps.spans[tank], most)
            ax.set_title(
                fitted(f"{tank}, {sensor}: independent sessions / units", TITLE, 2), fontsize=9, loc="left"
            )


def _panel(ax: Axes, lines: list[GapsLine], bands: int, span_mm: float, most: int) -> None:
    from matplotlib.colors import ListedColormap

    counts = np.array([line.bands for line in lines])
    # white is kept for 'none': one session must not look like nothing
    blues = ListedColormap(
        np.vstack([[1, 1, 1, 1], np.linspace([0.80, 0.88, 0.95, 1], [0.03, 0.19, 0.42, 1], max(most, 2))])
    )
    shown = ax.imshow(counts, cmap=blues, vmin=0, vmax=max(most, 2), aspect="auto", interpolation="nearest")
    for (row, band), count in np.ndenumerate(counts):
        text = f"{count}/{lines[row].band_units[band]}" if count else "none"
        ax.text(
            band,
            row,
            text,
            ha="center",
            va="center",
            fontsize=7,
            color=ink_on(*shown.to_rgba(count)[:3]) if count else "0.4",
        )
    ax.grid(visible=False)
    ax.set_xticks(
        np.arange(bands + 1) - 0.5, [f"{span_mm * k / bands:g}" for k in range(bands + 1)], fontsize=7
    )
    ax.set_yticks(
        range(len(lines)),
        [fitted(f"{line.liquid}; {line.condition}; {line.warmth}", LABEL, 2) for line in lines],
        fontsize=7,
    )
    ax.set_xlabel("level, mm above the datum", fontsize=8)
