"""Limits: what a product owner signs, each revision a sheet."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from dataset.canonical import limits_sha256
from dataset.errors import InputError
from dataset.text.limits_text import bound_text, condition_text
from innage.service.door import DoorOf, StoreOf
from innage.service.pages.paper.forms import Fault, fault_of, fields_of, given
from innage.service.pages.paper.frame import PAGE, see_other, sheet
from innage.service.pages.paper.tables import Form, json_file, table_file

if TYPE_CHECKING:
    from dataset.records import Limits
    from dataset.store import Store


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/limits", listed, methods=["GET"], **PAGE)
    app.add_api_route("/limits.{form}", table, methods=["GET"], **PAGE)
    app.add_api_route("/limits/{ref}.json", as_json, methods=["GET"], **PAGE)
    app.add_api_route("/limits/{ref}", shown, methods=["GET"], **PAGE)
    app.add_api_route("/limits/{ref}/sign", sign, methods=["POST"], **PAGE)


def listed(request: Request, door: DoorOf) -> Response:
    """Every revision."""
    store = door.store
    facts = {"limits": store.all_limits(), "retired": store.retired("limits")}
    return sheet(request, "limits_list.html", facts)


def table(request: Request, door: DoorOf, form: Form) -> Response:
    """Every row of every revision."""
    rows = [
        (limits.ref, row.metric, row.bound, row.or_mm, row.condition, row.confidence, row.min_groups)
        for limits in door.store.all_limits()
        for row in limits.rows
    ]
    names = ("limits", "metric", "bound", "or_mm", "condition", "confidence", "fewest_groups")
    columns: dict[str, list[Any]] = {name: [row[k] for row in rows] for k, name in enumerate(names)}
    return table_file(request, "limits", form, columns)


def as_json(request: Request, door: DoorOf, ref: str) -> Response:
    """As ``innage limits show --json`` has it."""
    limits = door.store.limits(ref)
    return json_file(request, asdict(limits) | {"sha256": limits_sha256(limits)})


def shown(request: Request, door: DoorOf, ref: str) -> Response:
    """One revision."""
    return _sheet(request, door.store, ref)


def _sheet(request: Request, store: Store, ref: str, fault: Fault | None = None) -> Response:
    limits = store.limits(ref)
    facts = {
        "limits": limits,
        "rows": [_row(limits, place) for place in range(len(limits.rows))],
        "sha256": limits_sha256(limits),
        "newest": store.limits(limits.name).revision,
        "retired": store.retired("limits").get(limits.ref),
        "fault": fault,
    }
    return sheet(request, "limits.html", facts, status=200 if fault is None else 422)


def _row(limits: Limits, place: int) -> dict[str, Any]:
    row = limits.rows[place]
    return {
        "metric": row.metric,
        "bound": bound_text(row.bound, row.or_mm),
        "condition": condition_text(row.condition),
        "confidence": None if row.confidence is None else 100 * row.confidence,
        "groups": row.min_groups,
    }


async def sign(request: Request, store: StoreOf, ref: str) -> Response:
    """The same rows as a new revision with the signer, as ``innage limits sign`` does, of the limits that
    were looked at.
    """
    fields = await fields_of(request)

    def act() -> str:
        limits = store.limits(ref)
        if fields.get("sha256") != limits_sha256(limits):
            raise InputError("limits", "are others than those that were shown", "", "read them again")
        return store.add_limits(replace(limits, signer=given(fields, "signer"))).ref

    try:
        signed = await run_in_threadpool(act)
    except InputError as error:
        fault = fault_of("sign", error, fields, "signer")
        return await run_in_threadpool(_sheet, request, store, ref, fault)
    return see_other(f"/limits/{signed}?done=signed")
