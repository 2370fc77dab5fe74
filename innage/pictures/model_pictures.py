"""Pictures of models: where two differ, and what drift does to one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from innage.pictures.figures import figure, fitted, ink_on

ROW_IN, FRAME_IN = 0.3, 1.5
LABEL, TITLE = 40, 80  # characters of a row's label, and of the title on a line


def draw_comparison(path: Path, facts: Mapping[str, Any]) -> None:
    """The difference of mean absolute errors by class and liquid (rows) and level band (columns), into
    ``path``.
    """
    rows = list(dict.fromkeys((c["class"], c["liquid"]) for c in facts["cells"]))
    bands = sorted({c["level band"] for c in facts["cells"]}, key=lambda text: int(text.split()[0]))
    values = np.full((len(rows), len(bands)), np.nan)
    for cell in facts["cells"]:
        if cell["difference_mm"] is not None:
            values[rows.index((cell["class"], cell["liquid"])), bands.index(cell["level band"])] = cell[
                "difference_mm"
            ]
    most = float(np.nanmax(np.abs(values))) if np.isfinite(values).any() else 1.0
    with figure(path, 8.5, ROW_IN * len(rows) + FRAME_IN) as made:
        axes = made.subplots()
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
        origin = facts["frozen"]["origin"]
        title = (
            f"{facts['second']} less {facts['first']}, mean absolute error in mm ({origin}); red: "
            f"{facts['second']} is worse"
        )
        axes.set_title(fitted(title, TITLE, 3), fontsize=9, loc="left")
        made.colorbar(shown, ax=axes, label="mm", shrink=0.8)


def draw_sweep(path: Path, facts: Mapping[str, Any]) -> None:
    """P95 of the error and the accepted share against baseline, gain, film and the dead pad, into ``path``; a
    failed limit is a hollow mark.
    """
    rest = facts["rows"][0]
    kinds = {
        "baseline": "baseline, % of the swing",
        "gain": "gain, % of the counts",
        "film": "film, % of the swing",
        "dead pad": "dead pad",
    }
    with figure(path, 11.0, 5.0) as made:
        axes = made.subplots(2, len(kinds), sharey="row", sharex="col")
        for column, (kind, label) in enumerate(kinds.items()):
            rows = [r for r in facts["rows"] if r["kind"] == kind]
            if kind != "dead pad":
                rows = sorted([*rows, rest], key=lambda r: r["amount"])
            x = [r["amount"] for r in rows]
            fine = np.asarray([not r["fails"] for r in rows])
            for ax, what, factor in zip(
                axes[:, column], ("p95_mm", "accepted_share"), (1.0, 100.0), strict=True
            ):
                y = np.asarray([np.nan if r[what] is None else factor * r[what] for r in rows])
                if kind != "dead pad":
                    ax.plot(x, y, color="0.6", linewidth=0.8)
                ax.plot(
                    np.asarray(x)[fine], y[fine], "o", color="tab:blue", markersize=4, label="limits hold"
                )
                ax.plot(
                    np.asarray(x)[~fine],
                    y[~fine],
                    "o",
                    markerfacecolor="none",
                    color="tab:red",
                    markersize=5,
                    label="a limit fails",
                )
            if kind == "dead pad":
                axes[1, column].set_xticks(x, facts["pads"], fontsize=7, rotation=45)
            axes[1, column].set_xlabel(label)
        axes[0, 0].set_ylabel("P95 of the error, mm")
        axes[1, 0].set_ylabel("accepted, %")
        axes[0, 0].legend(fontsize=7)
        title = (
            f"{facts['model']} on {facts['role']} groups of {facts['frozen']['name']} "
            f"({facts['frozen']['origin']})"
        )
        made.suptitle(fitted(title, TITLE, 2), fontsize=9)
