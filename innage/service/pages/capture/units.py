"""The units: a line each."""

from __future__ import annotations

from collections import Counter
from typing import Any

from fastapi import FastAPI, Request
from starlette.responses import Response

from dataset.store import Store
from dataset.values import natural
from innage.jobs.registry import unit_facts
from innage.service.door import DoorOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.kept import Kept, KeptOf
from innage.service.pages.paper.tables import Form, rows_file


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/units", listed, methods=["GET"], **PAGE)
    app.add_api_route("/units.{form}", table, methods=["GET"], **PAGE)


def listed(request: Request, door: DoorOf, kept: KeptOf) -> Response:
    """All of them, as people count."""
    rows = _rows(door.store, kept)
    facts = {
        "units": rows,
        "serials": any(row["serial"] for row in rows),
        "notes": any(row["note"] for row in rows),
    }
    return sheet(request, "units.html", facts)


def table(request: Request, door: DoorOf, kept: KeptOf, form: Form) -> Response:
    """All of them."""
    rows = _rows(door.store, kept)
    names = ("name", "serial", "bench_name", "sessions", "usable", "newest", "retired", "note", "identity")
    return rows_file(request, "units", form, rows, names)


def _rows(store: Store, kept: Kept) -> list[dict[str, Any]]:
    """Each unit's facts, how many sessions it has, and when the newest began."""
    lines, retired = kept.lines(), store.retired("unit")
    every, usable = Counter(line.unit for line in lines), Counter[str]()
    newest: dict[str, str] = {}
    for line in lines:
        usable[line.unit] += line.void_reason is None
        if line.started is not None:
            newest[line.unit] = max(newest.get(line.unit, ""), line.started)
    units = sorted(store.units(), key=lambda unit: natural(unit.name))
    return [
        facts
        | {
            "sessions": every[facts["name"]],
            "usable": usable[facts["name"]],
            "newest": newest.get(facts["name"]),
            "retired": retired.get(facts["name"]),
        }
        for facts in unit_facts(store, units)
    ]
