"""The learning curve of a tank change: what more captures of the new tank would buy."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from innage.pictures.figures import figure


def draw_curve(path: Path, facts: Mapping[str, Any]) -> None:
    """Error and accepted share against the number of new sessions, for both ways, into ``path``; filled marks
    are within the limits.
    """
    rows = facts["curve"]["rows"]
    with figure(path, 8.0, 4.2) as drawn:
        axes = drawn.subplots(1, 2)
        for colour, way in zip(
            ("tab:blue", "tab:orange"), dict.fromkeys(r["way"] for r in rows), strict=False
        ):
            mine = [r for r in rows if r["way"] == way]
            x = np.asarray([r["sessions"] for r in mine])
            within = np.asarray([bool(r["reaches"]) for r in mine])
            for ax, key, factor in zip(axes, ("error_mm", "accepted_share"), (1.0, 100.0), strict=True):
                y = np.asarray([np.nan if r[key] is None else factor * r[key] for r in mine])
                ax.plot(x, y, color=colour, linewidth=1.0, label=way)
                ax.plot(x[within], y[within], "o", color=colour)
                ax.plot(x[~within], y[~within], "o", markerfacecolor="none", color=colour)
        old = next((w["prove_mm"] for w in facts["ways"] if w["way"] == "old model, new trims"), None)
        if old is not None:
            axes[0].axhline(old, color="0.5", linestyle="--", linewidth=0.8, label="old model, new trims")
        for ax, label in zip(axes, ("mean over classes of P95, mm", "accepted, %"), strict=True):
            ax.set_xlabel("new sessions fitted")
            ax.set_ylabel(label)
        axes[0].set_ylim(bottom=0)
        axes[0].legend(fontsize=7)
        marks = "" if facts["limits_of"] is None else f"; filled: within limits {facts['limits_of']}"
        drawn.suptitle(
            f"{facts['tank']['frozen']} ({facts['tank']['origin']}), prove groups{marks}", fontsize=9
        )
