"""A picture of a capture session: counts over time, a line a channel, with marks, conditions and
temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dataset.labels.conditions import conditions_text
from dataset.records import Frames, Mark, Session
from dataset.values import GAP_PERIODS
from export.report.numbers import set_apart
from innage.pictures.figures import BLUE, OCHRE, RED, figure, fitted

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_POINTS = (
    4000  # more than a picture has dots: beyond it, stretches are drawn by their least and greatest count
)
FEWEST_LABEL = 0.012  # of the picture's width: narrower bands carry no text
LABEL, TITLE = 24, 110  # characters of a label, and of the title on a line
ROW_IN = 0.16  # height of a condition's row, inches


def draw_session(path: Path, session: Session, frames: Frames) -> None:
    """Write the picture; the suffix of ``path`` says as what (see :mod:`innage.pictures.figures`)."""
    warm = frames.temperature_c is not None and bool(np.isfinite(frames.temperature_c).any())
    rows = sorted(
        {word for stretch in session.stretches for word in conditions_text(stretch.conditions).split(",")}
    )
    lower = ([0.3 + ROW_IN * len(rows)] if rows else []) + ([0.9] if warm else [])
    with figure(path, 9.0, 4.5 + sum(lower)) as drawn:
        axes = drawn.subplots(1 + len(lower), 1, sharex=True, squeeze=False, height_ratios=[4.5, *lower])[
            :, 0
        ]
        seconds = (frames.t_ms - frames.t_ms[0]) / 1000.0
        _counts(axes[0], session, frames, seconds)
        _marks(axes[0], session, seconds)
        if rows:
            _stretches(axes[1], session, rows, seconds)
        if frames.temperature_c is not None and warm:
            axes[-1].plot(*broken(seconds, frames.temperature_c), color=RED, linewidth=0.9)
            axes[-1].set_ylabel("°C")
        axes[-1].set_xlabel("time since the first frame, s")
        void = f" - void: {session.void_reason}" if session.void_reason is not None else ""
        title = (
            f"session {session.id}: unit {session.unit.name}, {session.liquid.name}, mounting "
            f"{session.mounting.name}{void}"
        )
        axes[0].set_title(fitted(title, TITLE, 2), fontsize=9, loc="left", pad=18)


def _counts(axes: Axes, session: Session, frames: Frames, seconds: NDArray[np.float64]) -> None:
    import matplotlib as mpl

    pads = session.mounting.sensor.pads
    colours = mpl.colormaps["viridis"](np.linspace(0.0, 0.9, len(pads)))
    for pad, colour in zip(pads, colours, strict=True):
        times, values = broken(seconds, frames.counts[:, pad.channel].astype(np.float64))
        axes.plot(times, values, color=colour, linewidth=0.9, label=fitted(pad.name, LABEL))
    axes.set_ylabel("counts")
    axes.margins(x=0.01)
    columns = 1 if len(pads) <= 20 else 2
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(1.0, 1.0),
        title="pads",
        ncols=columns,
        fontsize="small",
        reverse=True,
    )


def broken(
    seconds: NDArray[np.float64], values: NDArray[np.float64], most: int = MOST_POINTS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A line to draw: interrupted at gaps in time, thinned to least and greatest values where there are more
    than ``most`` frames.
    """
    steps = np.diff(seconds, prepend=seconds[0])
    piece = np.cumsum(steps > GAP_PERIODS * np.median(steps))
    kept = np.arange(len(values))
    if len(values) > most:
        groups = np.array_split(kept, most // 2)
        kept = np.unique([end for g in groups for end in (g[np.argmin(values[g])], g[np.argmax(values[g])])])
    breaks = np.flatnonzero(np.diff(piece[kept])) + 1
    return np.insert(seconds[kept], breaks, np.nan), np.insert(values[kept], breaks, np.nan)


def mark_level(mark: Mark) -> str:
    """The level of a mark to a tenth of a millimetre, or those at its ends."""
    ends = (mark.level_mm, mark.level_stop_mm)
    return " to ".join(set_apart(f"{round(level, 1):g}") for level in ends if level is not None)


def _marks(axes: Axes, session: Session, seconds: NDArray[np.float64]) -> None:
    """Bands with their level above; alternating, so that neighbours can be told apart."""
    for number, mark in enumerate(session.marks):
        first, last = float(seconds[mark.start]), float(seconds[mark.stop - 1])
        axes.axvspan(first, last, color=BLUE, alpha=0.16 if number % 2 else 0.07, linewidth=0)
        _label(axes, seconds, first, last, mark_level(mark))
    if session.marks:
        axes.annotate(
            "mm",
            (1.0, 1.0),
            xycoords="axes fraction",
            xytext=(2, 3),
            textcoords="offset points",
            fontsize="small",
            color=BLUE,
        )


def _label(axes: Axes, seconds: NDArray[np.float64], first: float, last: float, text: str) -> None:
    if last - first < FEWEST_LABEL * float(seconds[-1] - seconds[0]):
        return
    axes.annotate(
        text,
        ((first + last) / 2, 1.0),
        xycoords=axes.get_xaxis_transform(),
        xytext=(0, 3),
        textcoords="offset points",
        ha="center",
        fontsize="small",
        color=BLUE,
    )


def _stretches(axes: Axes, session: Session, rows: Sequence[str], seconds: NDArray[np.float64]) -> None:
    """One row for each thing that was stated, a bar where it held."""
    for stretch in session.stretches:
        first, last = float(seconds[stretch.start]), float(seconds[stretch.stop - 1])
        for word in conditions_text(stretch.conditions).split(","):
            axes.barh(rows.index(word), last - first, left=first, height=0.7, color=OCHRE, alpha=0.7)
    axes.set_yticks(range(len(rows)), [fitted(row, LABEL) for row in rows], fontsize="small")
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.grid(False)
