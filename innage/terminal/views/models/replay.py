"""What is shown of a field log that was replayed."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from innage.terminal.output import say


def show_summary(facts: dict[str, Any], out: Path | None) -> None:
    """What was found, on stderr where the readings go to standard output."""
    stream = sys.stderr if out is None else sys.stdout
    shares = ", ".join(f"{number} {name}" for name, number in facts["validity"].items())
    print(f"{facts['frames']} frames: {shares}", file=stream)
    why = ", ".join(f"{name} {number}" for name, number in facts["reasons"].items() if number)
    if why:
        print(f"withheld for: {why}", file=stream)
    flagged = ", ".join(f"{name} {number}" for name, number in facts["flags"].items() if number)
    if flagged:
        print(f"flags: {flagged}", file=stream)
    if facts["restarts"]:
        period = f"{facts['period_ms']} ms within {facts['period_tolerance_pct']} %"
        first = f"first at frame {facts['first_restart_frame']}, longest step {facts['longest_step_ms']} ms"
        print(
            f"{facts['restarts']} steps in time are not {period}: the model started anew after "
            f"each ({first})",
            file=stream,
        )
    if out is not None:
        say(f"readings in {out}")
