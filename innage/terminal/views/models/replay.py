"""What is shown of field logs that were replayed."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from dataset.words import counted
from innage.terminal.output import harmless, say, table

NO_BAND = "no band was calibrated"


def show_summary(facts: dict[str, Any], out: Path | None) -> None:
    """What was found, on stderr where the readings go to standard output."""
    stream = sys.stderr if out is None else sys.stdout
    shares = ", ".join(f"{number} {name}" for name, number in facts["validity"].items())
    print(f"{counted(facts['frames'], 'frame')}: {shares}", file=stream)
    why = ", ".join(f"{name} {number}" for name, number in facts["reasons"].items() if number)
    if why:
        print(f"withheld for: {why}", file=stream)
    flagged = ", ".join(f"{name} {number}" for name, number in facts["flags"].items() if number)
    if flagged:
        print(f"flags: {flagged}", file=stream)
    if not facts["band"]:
        print(f"{NO_BAND}: low_mm is 0 and high_mm the span in each line", file=stream)
    if facts["restarts"]:
        period = f"{facts['period_ms']} ms within {facts['period_tolerance_pct']} %"
        first = f"first at frame {facts['first_restart_frame']}, longest step {facts['longest_step_ms']} ms"
        print(
            f"{counted(facts['restarts'], 'gap')} in time (a step other than {period}): the model started "
            f"anew after each ({first})",
            file=stream,
        )
    if facts["told"]:
        print(f"told when liquid last came in: {facts['told']} of {facts['frames']} frames", file=stream)
    if out is not None:
        say(f"readings in {out}")


def sums(answers: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Frames, and frames by validity, of all files that were replayed; how many were not."""
    replayed = [answer for answer in answers if not answer["refused"]]
    validity: dict[str, int] = {}
    for answer in replayed:
        for name, number in answer["validity"].items():
            validity[name] = validity.get(name, 0) + number
    return {
        "frames": sum(answer["frames"] for answer in replayed),
        "validity": validity,
        "refused": len(answers) - len(replayed),
    }


def show_files(whole: dict[str, Any], summed: dict[str, Any]) -> None:
    """One line a file, what they come to, and why files were refused."""
    replayed = [answer for answer in whole["files"] if not answer["refused"]]
    words = list(summed["validity"])
    rows = [
        (answer["file"], answer["frames"], *(answer["validity"][word] for word in words), answer["restarts"])
        for answer in replayed
    ]
    if rows:
        table(
            f"field logs through model {whole['model']}, each from power-on",
            ("file", "frames", *words, "restarts"),
            rows,
        )
        shares = ", ".join(f"{number} {word}" for word, number in summed["validity"].items())
        say(f"{counted(len(replayed), 'file')}, {counted(summed['frames'], 'frame')}: {shares}")
        if not replayed[0]["band"]:
            say(f"{NO_BAND}: low_mm is 0 and high_mm the span in each line")
    for answer in whole["files"]:
        if answer["refused"]:
            print(harmless(f"innage: {answer['refused']}"), file=sys.stderr)
    if summed["refused"]:
        print(f"{summed['refused']} of {len(whole['files'])} files were not replayed", file=sys.stderr)
    if whole["out"] is not None and replayed:
        say(f"readings in {whole['out']}")
