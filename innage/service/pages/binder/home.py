"""The first page: what there is, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fastapi import FastAPI, Request
from starlette.responses import Response

from innage.service.door import DoorOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.kept import KeptOf

if TYPE_CHECKING:
    from dataset.store.listing import SessionLine


@dataclass(frozen=True)
class Entry:
    """A line of the contents: what it leads to, how many there are, and a remark."""

    path: str
    name: str
    number: int
    remark: str = ""


@dataclass(frozen=True)
class Step:
    """What can be done next: a sentence, and the command, or the page, by which."""

    sentence: str
    command: str | None = None
    path: str | None = None


def register(app: FastAPI) -> None:
    """Add the route."""
    app.add_api_route("/", home, methods=["GET"], **PAGE)


def home(request: Request, door: DoorOf, kept: KeptOf) -> Response:
    """What there is, and what to do next."""
    counts, lines = door.store.counts(), kept.lines()
    facts = {
        "bench": door.store.bench(),
        "entries": contents(counts, lines),
        "steps": next_steps(counts, lines),
        "simulated": bool(lines) and all(line.simulated for line in lines),
        "tokens": door.store.has_tokens(),
    }
    return sheet(request, "home.html", facts)


def contents(counts: Mapping[str, int], lines: Sequence[SessionLine]) -> list[Entry]:
    """What there is, in the order in which a bench comes by it."""
    void = sum(line.void_reason is not None for line in lines)
    warned = sum(line.warnings > 0 for line in lines)
    parts = [f"{void} void" if void else "", f"{warned} with warnings" if warned else ""]
    return [
        Entry("/registry#tanks", "Tanks", counts["tanks"]),
        Entry("/registry#liquids", "Liquids", counts["liquids"]),
        Entry("/registry#sensors", "Sensors", counts["sensors"]),
        Entry("/registry#mountings", "Mountings", counts["mountings"]),
        Entry("/units", "Units", counts["units"]),
        Entry("/sessions", "Capture sessions", len(lines), ", ".join(filter(None, parts))),
        Entry("/coverage", "Map of what was captured", len(lines) - void, "usable sessions"),
        Entry("/frozen", "Frozen sets", counts["frozen sets"]),
        Entry("/limits", "Limits", counts["limits"]),
        Entry("/models", "Models", counts["models"]),
        Entry("/bundles", "Bundles", counts["bundles"]),
        Entry("/channels", "Channels", counts["channels"]),
        Entry("/jobs", "Jobs", counts["jobs"]),
    ]


def next_steps(counts: Mapping[str, int], lines: Sequence[SessionLine]) -> list[Step]:
    """What is missing first, one step each; where all is there, what is looked at each day."""
    if not counts["mountings"]:
        return [
            Step("Register a tank, a liquid, a sensor and how it is mounted.", "innage tank add --help"),
            Step("Or see the whole job on a virtual rig first.", "innage demo"),
        ]
    if not counts["sessions"]:
        log = "innage log FILE --tank TANK --sensor SENSOR --liquid LIQUID --unit UNIT"
        return [Step("Log a first capture session.", log)]
    steps = [Step("Look for the holes, and at what to capture next.", None, "/coverage")]
    if any(line.warnings and line.void_reason is None for line in lines):
        steps.append(Step("Read what the import checks warned of.", None, "/sessions?warning=any&void=no"))
    if not counts["frozen sets"]:
        steps.append(Step("Freeze sessions into a set, with roles that share no unit.", "innage freeze NAME"))
    elif not counts["models"]:
        steps.append(Step("Train on a frozen set.", "innage train SET --limits LIMITS --budget BUDGET"))
    elif not counts["bundles"]:
        steps.append(Step("Export a model as a bundle, and verify it.", "innage export MODEL --out FOLDER"))
    elif not counts["channels"]:
        steps.append(Step("Point a channel at a bundle, so that firmware can pull it.", None, "/release"))
    return steps
