"""Pictures of models: where two differ, what drift does to one, and what its trims and features are worth."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from innage.pictures.figures import BLUE, GREEN, ORANGE, RED, figure, fitted, ink_on

if TYPE_CHECKING:
    from training.judging.figures import CellDifference, DriftFigures, FaultFigures, FaultTable
    from training.search.study_figures import StudyRow

ROW_IN, FRAME_IN = 0.3, 1.5
LABEL, TITLE = 40, 80  # characters of a row's label, and of the title on a line


def draw_comparison(
    path: Path, cells: Sequence[CellDifference], first: str, second: str, origin: str
) -> None:
    """The difference of mean absolute errors of two models by class and liquid (rows) and level band
    (columns), into ``path``; ``origin`` of the readings.
    """
    rows = list(dict.fromkeys((cell.name, cell.liquid) for cell in cells))
    bands = sorted({cell.level_band for cell in cells}, key=lambda text: int(text.split()[0]))
    values = np.full((len(rows), len(bands)), np.nan)
    for cell in cells:
        if cell.difference_mm is not None:
            values[rows.index((cell.name, cell.liquid)), bands.index(cell.level_band)] = cell.difference_mm
    most = float(np.nanmax(np.abs(values))) if np.isfinite(values).any() else 1.0
    with figure(path, 8.5, ROW_IN * len(rows) + FRAME_IN) as drawn:
        axes = drawn.subplots()
        shown = axes.imshow(
            values,
            cmap="RdBu_r",
            vmin=-most or -1.0,
            vmax=most or 1.0,
            aspect="auto",
            interpolation="nearest",
        )
        for (row, band), value in np.ndenumerate(values):
            if not np.isnan(value):
                axes.text(
                    band,
                    row,
                    f"{value:+.2f}",
                    ha="center",
                    va="center",
                    fontsize=7,
                    color=ink_on(*shown.to_rgba(value)[:3]),
                )
        axes.set_xticks(range(len(bands)), bands, fontsize=7)
        axes.set_yticks(
            range(len(rows)), [fitted(f"{name}; {liquid}", LABEL, 2) for name, liquid in rows], fontsize=7
        )
        axes.set_xlabel("level, % of span", fontsize=8)
        axes.grid(visible=False)
        title = f"{second} minus {first}, mean absolute error in mm ({origin}); red: {second} is worse"
        axes.set_title(fitted(title, TITLE, 3), fontsize=9, loc="left")
        drawn.colorbar(shown, ax=axes, label="mm", shrink=0.8)


# what is drawn of a drift, one below the other
_DRAWN: Mapping[str, Callable[[DriftFigures], float | None]] = {
    "P95 of the error, mm": lambda row: row.p95_mm,
    "accepted, %": lambda row: None if row.accepted_share is None else 100.0 * row.accepted_share,
}


def draw_sweep(path: Path, drifts: Sequence[DriftFigures], pads: Sequence[str], title: str) -> None:
    """P95 of the error and the accepted share against baseline, gain, film and the dead pad, into ``path``; a
    failed limit is a hollow mark. The first of ``drifts`` is none at all.
    """
    rest = drifts[0]
    kinds = {
        "baseline": "baseline, % of the swing",
        "gain": "gain, % of the counts",
        "film": "film, % of the swing",
        "dead pad": "dead pad",
    }
    with figure(path, 11.0, 5.0) as drawn:
        axes = drawn.subplots(2, len(kinds), sharey="row", sharex="col")
        for column, (kind, label) in enumerate(kinds.items()):
            rows = [row for row in drifts if row.kind == kind]
            if kind != "dead pad":
                rows = sorted([*rows, rest], key=lambda row: row.amount)
            x = [row.amount for row in rows]
            fine = np.asarray([not row.fails for row in rows])
            for ax, value_of in zip(axes[:, column], _DRAWN.values(), strict=True):
                y = np.asarray([np.nan if (value := value_of(row)) is None else value for row in rows])
                if kind != "dead pad":
                    ax.plot(x, y, color="0.6", linewidth=0.8)
                ax.plot(np.asarray(x)[fine], y[fine], "o", color=BLUE, markersize=4, label="limits hold")
                ax.plot(
                    np.asarray(x)[~fine],
                    y[~fine],
                    "o",
                    markerfacecolor="none",
                    color=RED,
                    markersize=5,
                    label="a limit fails",
                )
            if kind == "dead pad":
                axes[1, column].set_xticks(x, pads, fontsize=7, rotation=45)
            axes[1, column].set_xlabel(label)
        for ax, label in zip(axes[:, 0], _DRAWN, strict=True):
            ax.set_ylabel(label)
        axes[0, 0].legend(fontsize=7)
        drawn.suptitle(fitted(title, TITLE, 2), fontsize=9)


# what may become of a frame, from the left: its colour and hatch, and how many frames
_BECAME: Mapping[str, tuple[str, str, Callable[[FaultFigures], int]]] = {
    "withheld": (BLUE, "", lambda row: sum(row.withheld.values())),
    "harmless": ("0.85", "", lambda row: row.harmless),
    "flagged": (ORANGE, "..", lambda row: row.flagged),
    "silent": (RED, "////", lambda row: row.silent),
}


def draw_faults(path: Path, figures: FaultTable, title: str) -> None:
    """Shares of frames by what became of them, a bar for each fault, into ``path``."""
    with figure(path, 8.5, ROW_IN * len(figures.rows) + FRAME_IN) as drawn:
        axes = drawn.subplots()
        left = np.zeros(len(figures.rows))
        for name, (colour, hatch, frames_of) in _BECAME.items():
            widths = np.asarray([100 * row.share(frames_of(row)) for row in figures.rows])
            axes.barh(
                range(len(widths)),
                widths,
                left=left,
                color=colour,
                hatch=hatch,
                edgecolor="white",
                linewidth=0.0,
                label=name,
            )
            left += widths
        axes.set_yticks(range(len(figures.rows)), [row.kind for row in figures.rows], fontsize=8)
        axes.invert_yaxis()
        axes.set_xlim(0, 100)
        axes.set_xlabel(
            f"% of frames; flagged and silent ones are off by more than {figures.bound_pct:g} % of the span",
            fontsize=8,
        )
        drawn.legend(fontsize=7, loc="outside lower center", ncols=len(_BECAME))
        axes.set_title(fitted(title, TITLE, 3), fontsize=9, loc="left")


# the classes of a study: colour and mark
_CLASSES = {"clean": (BLUE, "o"), "foam": (ORANGE, "s"), "film": (GREEN, "^")}


def draw_study(path: Path, studies: Mapping[str, Sequence[StudyRow]], title: str) -> None:
    """P95 of the error by class, a line for each variant and a panel for each of ``studies`` by its name,
    into ``path``; of a variant that fails the limits the marks are hollow, of one that cannot be had there
    are none.
    """
    lines = [len(rows) for rows in studies.values()]
    with figure(path, 8.5, ROW_IN * sum(lines) + FRAME_IN * len(lines)) as drawn:
        panels = drawn.subplots(len(lines), 1, sharex=True, squeeze=False, height_ratios=lines)[:, 0]
        for ax, (what, rows) in zip(panels, studies.items(), strict=True):
            for (name, (colour, mark)), fails in product(_CLASSES.items(), (False, True)):
                places = [
                    (error.p95_mm, place)
                    for place, row in enumerate(rows)
                    if (error := row.classes.get(name)) is not None
                    and error.p95_mm is not None
                    and (row.within is False) == fails
                ]
                if not places:
                    continue
                ax.plot(
                    *zip(*places, strict=True),
                    mark,
                    color=colour,
                    markerfacecolor="none" if fails else colour,
                    label=f"{name}, a limit fails" if fails else name,
                )
            names = [f"{row.name} (refused)" if row.refused else row.name for row in rows]
            ax.set_yticks(range(len(rows)), [fitted(name, LABEL) for name in names], fontsize=8)
            ax.set_ylim(len(rows) - 0.5, -0.5)
            ax.set_title(what, fontsize=9, loc="left")
        panels[-1].set_xlim(left=0.0)
        panels[-1].set_xlabel("P95 of the error, mm")
        marks = {str(line.get_label()): line for ax in panels for line in ax.lines}
        drawn.legend([*marks.values()], [*marks], fontsize=7, loc="outside lower center", ncols=len(_CLASSES))
        drawn.suptitle(fitted(title, TITLE, 2), fontsize=9)
