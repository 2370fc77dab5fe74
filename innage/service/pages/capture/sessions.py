"""The register of capture sessions, the newest first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from starlette.responses import Response

from dataset.errors import NotFoundError
from innage.jobs.sessions.finding import settle, why_none
from innage.service.door import DoorOf
from innage.service.pages.paper.filters import Asked, AskedOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.kept import Kept, KeptOf
from innage.service.pages.paper.tables import Form, table_file

if TYPE_CHECKING:
    from dataset.store.listing import SessionLine

AT_ONCE = 50  # lines of a page


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/sessions", listed, methods=["GET"], **PAGE)
    app.add_api_route("/sessions.{form}", table, methods=["GET"], **PAGE)


def listed(request: Request, door: DoorOf, kept: KeptOf, asked: AskedOf, after: str = "") -> Response:
    """A page of it, behind the session ``after``."""
    fitting = newest_first(door, kept, asked)
    start = _behind(fitting, after)
    stop = start + (asked.filter.limit or AT_ONCE)
    shown = fitting[start:stop]
    facts = {
        "asked": asked,
        "lines": shown,
        "columns": [name for name in ("begun", "operator", "bench") if any(map(_has(name), shown))],
        "benches": {bench.identity: bench.name for bench in door.store.benches()},
        "total": len(kept.lines()),
        "fitting": len(fitting),
        "start": start,
        "next": asked.query(after=shown[-1].id) if stop < len(fitting) else None,
        "why": why_none(asked.filter, kept.lines()) if not fitting and kept.lines() else "",
        "simulated": bool(shown) and all(line.simulated for line in shown),
    }
    return sheet(request, "sessions.html", facts)


def table(request: Request, door: DoorOf, kept: KeptOf, asked: AskedOf, form: Form) -> Response:
    """All of it that the filter leaves."""
    lines = newest_first(door, kept, asked)
    return table_file(request, "sessions", form, columns_of(lines[: asked.filter.limit]))


def newest_first(door: DoorOf, kept: Kept, asked: Asked) -> list[SessionLine]:
    """What the filter leaves. NotFoundError for a name that the store does not have."""
    lines = kept.lines()
    if not asked.filter.given:
        return list(reversed(lines))
    wanted = settle(door.store, asked.filter)
    return [line for line in reversed(lines) if wanted.fits(line)]


def columns_of(lines: Sequence[SessionLine]) -> dict[str, list[Any]]:
    """The lines by column, as files have them; several words of a cell with spaces between."""
    return {
        "session": [line.id for line in lines],
        "unit": [line.unit for line in lines],
        "liquid": [line.liquid for line in lines],
        "tank": [line.tank for line in lines],
        "mounting": [line.mounting for line in lines],
        "conditions": [" ".join(line.conditions) for line in lines],
        "frames": [line.frames for line in lines],
        "labelled": [line.labelled for line in lines],
        "started": [line.started for line in lines],
        "bench": [line.bench for line in lines],
        "operator": [line.operator for line in lines],
        "tags": [" ".join(line.tags) for line in lines],
        "warnings": [" ".join(line.checks) for line in lines],
        "amendments": [line.amendments for line in lines],
        "void_reason": [line.void_reason for line in lines],
        "simulated": [line.simulated for line in lines],
        "file": [line.file for line in lines],
    }


def _behind(lines: Sequence[SessionLine], after: str) -> int:
    """Where the line behind the session ``after`` stands."""
    if not after:
        return 0
    for place, line in enumerate(lines):
        if line.id == after:
            return place + 1
    raise NotFoundError(
        "after", "is no session of this list", "the key that the page before gave", "begin at the first page"
    )


def _has(column: str) -> Any:
    field = "started" if column == "begun" else column
    return lambda line: getattr(line, field) is not None
