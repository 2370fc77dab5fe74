"""What an operator's entries during a live capture amount to: marks, and the steps of the plan that are done.

Entries are JSON objects in the order they were made; ``kind`` is 'mark' (a level from ``frame`` on, for
``hold`` frames or, with None, until the next entry), 'end', 'skip' (a step), 'back' (withdraws the last mark
or skip) or 'break' (the port was lost, the board started again, the capture was gone on with: no mark reaches
across). Others are for the capture itself and ignored here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from dataset.records import DoorWarning, Mark
from dataset.words import counted

Entry = Mapping[str, Any]
RESTART_PERIODS = 10  # by which a session's clock goes on where the board started again


def standing(entries: Sequence[Entry], frames: int) -> list[tuple[Entry, int]]:
    """The marks and skips that were not withdrawn, and the frame at which each stops, of a capture of
    ``frames`` frames.
    """
    kept: list[Entry] = []
    for entry in entries:
        if entry["kind"] == "back":
            place = next((k for k in reversed(range(len(kept))) if kept[k]["kind"] in ("mark", "skip")), None)
            if place is not None:
                # the mark before it does not grow into its place
                kept[place] = {"kind": "end", "frame": kept[place]["frame"]}
        elif entry["kind"] in ("mark", "skip", "end", "break"):
            kept.append(entry)
    stops = [*(entry["frame"] for entry in kept[1:]), frames]
    return [
        (entry, min(stop, entry["frame"] + entry["hold"]) if entry.get("hold") else stop)
        for entry, stop in zip(kept, stops, strict=False)
        if entry["kind"] in ("mark", "skip")
    ]


def entered_marks(entries: Sequence[Entry], frames: int) -> tuple[Mark, ...]:
    """The marks, those without a frame left out."""
    marked = [(e, stop) for e, stop in standing(entries, frames) if e["kind"] == "mark" and stop > e["frame"]]
    return tuple(
        Mark(e["frame"], stop, e["level_mm"], e["u_mm"], e["u_common_mm"], None, e["method"])
        for e, stop in marked
    )


def next_step(entries: Sequence[Entry], frames: int, steps: int) -> int | None:
    """The place of the first of ``steps`` steps that is neither skipped nor held to its end; None when there
    is none.
    """
    return next(iter(steps_left(entries, frames, steps)), None)


def steps_left(entries: Sequence[Entry], frames: int, steps: int) -> list[int]:
    """The places of the steps that are neither skipped nor held to their end."""
    done = {
        e["step"]
        for e, stop in standing(entries, frames)
        if e["kind"] == "skip" or (e["hold"] and stop - e["frame"] >= e["hold"])
    }
    return [k for k in range(steps) if k not in done]


def holding(entries: Sequence[Entry], frames: int) -> tuple[int, int] | None:
    """Frames so far, and frames wanted, of the step's mark that is running."""
    last = next((e for e in reversed(entries) if e["kind"] in ("mark", "skip", "back", "break")), None)
    if last is None or last["kind"] != "mark" or not last["hold"] or frames - last["frame"] >= last["hold"]:
        return None
    return frames - last["frame"], last["hold"]


def warnings_of(entries: Sequence[Entry], bad: Mapping[str, int]) -> tuple[DoorWarning, ...]:
    """What a session is warned of as it is sealed: ``bad`` lines by kind, and where it was interrupted."""
    warnings = []
    if bad:
        kinds = ", ".join(f"{count} {kind}" for kind, count in bad.items())
        warnings.append(
            DoorWarning(
                "bad lines", f"{counted(sum(bad.values()), 'line')} from the board were no frames: {kinds}"
            )
        )
    breaks = Counter(entry["why"] for entry in entries if entry["kind"] == "break")
    if breaks:
        times = ", ".join(f"{why} {count} time{'s' if count > 1 else ''}" for why, count in breaks.items())
        warnings.append(
            DoorWarning(
                "interrupted",
                f"{times}; where the board started again the clock goes on {RESTART_PERIODS} periods later",
            )
        )
    return tuple(warnings)
