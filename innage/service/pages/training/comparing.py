"""Two models beside each other, by what their data sheets say: nothing is judged anew for the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from fastapi import FastAPI, Query, Request
from starlette.responses import Response

from export.report.claim_tables import class_rows
from innage.service.door import DoorOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.kept import KeptOf
from innage.service.pages.paper.tables import Form, table_file

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.store import Store
    from innage.jobs.models.lines import ModelLine
    from innage.service.pages.paper.kept import Kept

Name = Annotated[str, Query(max_length=200)]
_ACCEPTED, _P50, _P95, _MAX = 3, 4, 5, 6  # of a row of class_rows
_COSTS = (
    ("Flash, B", "flash"),
    ("RAM, B", "ram"),
    ("Stack, B", "stack"),
    ("Cycles a frame, measured", "cycles"),
    ("Cycles a frame, upper bound", "cycles_bound"),
)


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/compare", page, methods=["GET"], **PAGE)
    app.add_api_route("/compare.{form}", table, methods=["GET"], **PAGE)


def page(request: Request, door: DoorOf, kept: KeptOf, first: Name = "", second: Name = "") -> Response:
    """Both; where one is not named yet, the choice of two."""
    facts: dict[str, Any] = {
        "names": list(kept.models().of_name),
        "first": first,
        "second": second,
        "both": None,
    }
    if first and second:
        both = tuple(_told(door.store, kept, name) for name in (first, second))
        facts |= {
            "both": both,
            "same": both[0].frozen_sha256 == both[1].frozen_sha256,
            "rows": _rows(both),
            "limits": _limits(both),
            "facts": _facts(both),
        }
    return sheet(request, "compare.html", facts)


def table(request: Request, door: DoorOf, kept: KeptOf, form: Form, first: Name, second: Name) -> Response:
    """The errors of both by class."""
    rows = _rows([_told(door.store, kept, name) for name in (first, second)])
    columns: dict[str, Sequence[Any]] = {"class": [row["class"] for row in rows]}
    for name in ("accepted_pct", "p50_mm", "p95_mm", "max_mm"):
        for k, place in enumerate(("first", "second")):
            columns[f"{place}_{name}"] = [row[name][k] for row in rows]
    return table_file(request, "compare", form, columns)


def _told(store: Store, kept: Kept, name: str) -> ModelLine:
    """What is kept of a model; NotFoundError where there is none of that name."""
    if name not in kept.models().of_name:
        store.model(name)  # says which there are
    return kept.models().of_name[name]


def _rows(both: Sequence[ModelLine]) -> list[dict[str, Any]]:
    """Errors by class, of both; None where one was not judged on a class."""
    sides = [
        {} if told.metrics.claims is None else {row[0]: row for row in class_rows(told.metrics.claims)}
        for told in both
    ]
    wanted = {"accepted_pct": _ACCEPTED, "p50_mm": _P50, "p95_mm": _P95, "max_mm": _MAX}
    return [
        {"class": name}
        | {
            word: tuple(None if name not in side else side[name][place] for side in sides)
            for word, place in wanted.items()
        }
        for name in dict.fromkeys([*sides[0], *sides[1]])
    ]


def _limits(both: Sequence[ModelLine]) -> list[dict[str, Any]]:
    """The limits that both or one of them answer, with what each says."""
    sides = [{(row.metric, row.condition): row for row in told.metrics.limits} for told in both]
    return [
        {"metric": metric, "condition": condition, "rows": [side.get((metric, condition)) for side in sides]}
        for metric, condition in dict.fromkeys([*sides[0], *sides[1]])
    ]


def _facts(both: Sequence[ModelLine]) -> list[tuple[str, list[str | int | None]]]:
    """What both are, and what each costs, measured at its training; without what neither states."""
    chosen = [told.metrics.chosen for told in both]
    rows: list[tuple[str, list[str | int | None]]] = [
        ("Trained", [told.date for told in both]),
        (
            "Kind",
            [None if one is None else f"{one.family}, {one.size}, {one.bits}-bit weights" for one in chosen],
        ),
        ("Sessions of its set", [len(told.sessions) for told in both]),
        ("Readings", [told.origin for told in both]),
        ("Openings of prove", [told.metrics.openings for told in both]),
    ]
    costs = [None if one is None else one.cost for one in chosen]
    rows += [(label, [getattr(cost, name, None) for cost in costs]) for label, name in _COSTS]
    return [row for row in rows if any(value is not None for value in row[1])]
