"""The learning curve of a tank change: what more captures of the new tank would buy."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from innage.pictures.figures import BLUE, ORANGE, figure

if TYPE_CHECKING:
    from training.search.study_figures import CurvePoint, Retraining

_DRAWN: tuple[Callable[[CurvePoint], float | None], ...] = (
    lambda row: row.error_mm,
    lambda row: None if row.accepted_share is None else 100.0 * row.accepted_share,
)


def draw_curve(path: Path, figures: Retraining, limits: str | None) -> None:
    """Error and accepted share against the number of new sessions, for both ways, into ``path``; filled marks
    are within the ``limits`` of that name.
    """
    rows = figures.curve.rows
    with figure(path, 8.0, 4.2) as drawn:
        axes = drawn.subplots(1, 2)
        ways = dict.fromkeys(row.way for row in rows)
        for (colour, dashes, mark), way in zip(((BLUE, "-", "o"), (ORANGE, "--", "s")), ways, strict=False):
            mine = [row for row in rows if row.way == way]
            x = np.asarray([row.sessions for row in mine])
            within = np.asarray([bool(row.reaches) for row in mine])
            for ax, value_of in zip(axes, _DRAWN, strict=True):
                y = np.asarray([np.nan if (value := value_of(row)) is None else value for row in mine])
                ax.plot(x, y, dashes, color=colour, linewidth=1.0, label=way)
                ax.plot(x[within], y[within], mark, color=colour)
                ax.plot(x[~within], y[~within], mark, markerfacecolor="none", color=colour)
        old = next((way.prove_mm for way in figures.ways if way.way == "old model, new trims"), None)
        if old is not None:
            axes[0].axhline(old, color="0.5", linestyle=":", linewidth=1.2, label="old model, new trims")
        for ax, label in zip(axes, ("mean over classes of P95, mm", "accepted, %"), strict=True):
            ax.set_xlabel("new sessions fitted")
            ax.set_ylabel(label)
        axes[0].set_ylim(bottom=0)
        axes[0].legend(fontsize=7)
        marks = "" if limits is None else f"; filled: within limits {limits}"
        drawn.suptitle(f"{figures.tank.frozen} ({figures.tank.origin}), prove groups{marks}", fontsize=9)
