"""The pictures of a run: every ratio beside its goal, and the growth curves."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from growth import TIMES, Curve
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from measuring import Row, short

from innage.pictures.figures import figure

_MARKERS = "osD^vPX*"


def draw_ratios(path: Path, rows: Sequence[Row]) -> None:
    """A dot a row with the range of its rounds, and the goal as a triangle that points to where it is
    reached.
    """
    with figure(path, 8.5, 1.3 + 0.42 * len(rows)) as picture:
        axes = picture.subplots()
        for at, row in enumerate(rows):
            colour, marker = _look(row)
            axes.plot([row.ratio.least, row.ratio.most], [at, at], color=colour, linewidth=1.6)
            axes.plot(row.ratio.middle, at, marker, color=colour, markersize=6)
            axes.text(1.01, at, short(row.ratio.middle), transform=axes.get_yaxis_transform(), va="center")
            if row.goal is not None and not row.goal.seconds:
                axes.plot(
                    row.goal.bound,
                    at - 0.3,
                    ">" if row.goal.at_least else "<",
                    color="black",
                    markersize=5,
                    markerfacecolor="none",
                )
        axes.axvline(1, color="0.6", linewidth=0.8)
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:g}")
        axes.set_yticks(
            range(len(rows)), [f"{row.ours}: {row.of}\nover {row.baseline}" for row in rows], fontsize=7.5
        )
        axes.set_ylim(len(rows) - 0.5, -0.7)
        axes.set_xlabel("ours over the baseline's: median, least and greatest of the rounds")
        _explain(picture, axes)


def _look(row: Row) -> tuple[str, str]:
    """Colour and marker: by the goal."""
    if row.reached is None:
        return "0.4", "o"
    return ("tab:green", "o") if row.reached else ("tab:red", "X")


def _explain(picture: Figure, axes: Axes) -> None:
    shown = (
        ("o", "tab:green", "goal reached"),
        ("X", "tab:red", "goal missed"),
        ("o", "0.4", "no goal"),
        (">", "none", "at least"),
        ("<", "none", "at most"),
    )
    handles = [
        axes.plot(
            [],
            [],
            marker,
            color="black" if colour == "none" else colour,
            markerfacecolor=colour,
            linestyle="",
            label=label,
        )[0]
        for marker, colour, label in shown
    ]
    picture.legend(handles=handles, loc="outside upper center", ncols=len(handles), fontsize="small")


def draw_growth(path: Path, curves: Sequence[Curve]) -> None:
    """Time for a unit of work against the work, both over their least; both axes logarithmic."""
    with figure(path, 7.5, 4.4) as picture:
        axes = picture.subplots()
        for curve, marker in zip(curves, _MARKERS, strict=True):
            axes.plot(
                TIMES,
                [r.middle for r in curve.ratios],
                marker=marker,
                label=f"{curve.what}, a {curve.unit}",
                linewidth=1.3,
                markersize=5,
            )
        axes.axhline(1, color="black", linewidth=0.8)
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xticks(TIMES, [f"{t}x" for t in TIMES])
        axes.set_xticks([], minor=True)
        axes.yaxis.set_major_formatter("{x:g}")
        axes.set_xlabel("work; for show: sessions in the store")
        axes.set_ylabel("time for a unit of work, over that at 1x")
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize="small")
