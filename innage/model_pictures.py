"""Pictures of models: where two differ, and what drift does to one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from innage.figures import figure

ROW_IN, FRAME_IN = 0.3, 1.5


def draw_comparison(path: Path, found: dict[str, Any]) -> None:
    """The difference of mean absolute errors by class and liquid (rows) and level band (columns), into ``path``."""
    rows = list(dict.fromkeys((c["class"], c["liquid"]) for c in found["cells"]))
    bands = sorted({c["level band"] for c in found["cells"]}, key=lambda text: int(text.split()[0]))
    values = np.full((len(rows), len(bands)), np.nan)
    for cell in found["cells"]:
        if cell["difference_mm"] is not None:
            values[rows.index((cell["class"], cell["liquid"])), bands.index(cell["level band"])] = cell["difference_mm"]
    most = float(np.nanmax(np.abs(values))) if np.isfinite(values).any() else 1.0
    with figure(path, 8.5, ROW_IN * len(rows) + FRAME_IN) as made:
        axes = made.subplots()
        shown = axes.imshow(values, cmap="RdBu_r", vmin=-most or -1.0, vmax=most or 1.0, aspect="auto", interpolation="nearest")
        for (row, band), value in np.ndenumerate(values):
            text, dark = ("", False) if np.isnan(value) else (f"{value:+.2f}", abs(value) > 0.6 * most)
            axes.text(band, row, text, ha="center", va="center", fontsize=7, color="white" if dark else "black")
        axes.set_xticks(range(len(bands)), bands, fontsize=7)
        axes.set_yticks(range(len(rows)), [f"{name}; {liquid}" for name, liquid in rows], fontsize=7)
        axes.set_xlabel("level, % of span", fontsize=8)
        axes.grid(visible=False)
        origin = found["frozen"]["origin"]
        axes.set_title(
            f"{found['second']} less {found['first']}, mean absolute error in mm ({origin}); red: {found['second']} is worse", fontsize=9, loc="left"
        )
        made.colorbar(shown, ax=axes, label="mm", shrink=0.8)
