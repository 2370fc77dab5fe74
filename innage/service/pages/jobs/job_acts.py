"""A job asked for, and asked to end, at a desk."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import MISSING, fields
from enum import Enum
from types import UnionType
from typing import Any, get_args, get_origin, get_type_hints

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from dataset.errors import ChangedMeanwhileError, InputError, NotFoundError
from dataset.store import Store
from innage.runner.kinds import KINDS
from innage.runner.queueing import add_job
from innage.service.door import DoorOf, StoreOf
from innage.service.pages.paper.forms import Fault, fault_of, fields_of
from innage.service.pages.paper.frame import PAGE, see_other, sheet
from innage.service.pages.paper.words import said

ASKED_BY_FILE = "replay"  # works on logs, which a form of a desk does not carry
OFFERED = tuple(name for name in KINDS if name != ASKED_BY_FILE)


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/order", blank, methods=["GET"], **PAGE)
    app.add_api_route("/order", ask, methods=["POST"], **PAGE)
    app.add_api_route("/jobs/{key}/cancel", cancel, methods=["POST"], **PAGE)


def blank(request: Request, door: DoorOf, kind: str = OFFERED[0]) -> Response:
    """The order of a kind of job, empty."""
    return _sheet(request, door.store, kind, {})


def _sheet(
    request: Request, store: Store, kind: str, given: Mapping[str, str], fault: Fault | None = None
) -> Response:
    _check(kind)
    facts = {
        "kind": kind,
        "kinds": OFFERED,
        "settings": settings_of(kind),
        "given": given,
        "jobs": store.queued_jobs(most=10),
        "fault": fault,
    }
    return sheet(request, "order.html", facts, status=200 if fault is None else 422)


def _check(kind: str) -> None:
    if kind not in OFFERED:
        raise InputError("kind", repr(kind[:40]), "one of " + ", ".join(OFFERED), fields=("kind",))


def settings_of(kind: str) -> list[dict[str, Any]]:
    """What a kind of job can be told: names, whether they are needed, of which type, and what holds else;
    what is needed first, what is ticked last.
    """
    of = KINDS[kind].settings
    hints = get_type_hints(of)
    told = [
        {
            "name": field.name,
            "label": field.name.replace("_", " ").capitalize(),
            "needed": field.default is MISSING,
            "type": _type(hints[field.name]).__name__,
            "words": [one.value for one in _words(hints[field.name])],
            "default": "" if field.default in (MISSING, None, False, ()) else str(field.default),
        }
        for field in fields(of)
    ]
    return sorted(told, key=lambda one: (not one["needed"], one["type"] == "bool"))


def _type(hint: Any) -> type:
    """str, int, bool or tuple, whether it may be left out or not."""
    allowed = get_args(hint) if isinstance(hint, UnionType) else (hint,)
    (kind,) = (one for one in allowed if one is not type(None))
    of: type = get_origin(kind) or kind
    return of if of in (int, bool, tuple) else str


def _words(hint: Any) -> Sequence[Enum]:
    """The words that a setting can have, where these are few."""
    return list(hint) if isinstance(hint, type) and issubclass(hint, Enum) else []


async def ask(request: Request, store: StoreOf) -> Response:
    """Queue a job; what asks for one that waits or runs already comes to that one."""
    given = await fields_of(request)
    return await run_in_threadpool(_asked, request, store, given)


def _asked(request: Request, store: Store, given: Mapping[str, str]) -> Response:
    kind = given.get("kind", "")
    try:
        _check(kind)
        job = add_job(store, kind, _settings(kind, given))
    except (InputError, NotFoundError) as error:
        shown = kind if kind in OFFERED else OFFERED[0]
        return _sheet(request, store, shown, given, fault_of("order", error, given))
    return see_other(f"/order?kind={kind}&done=queued#{job.key[:12]}")


def _settings(kind: str, given: Mapping[str, str]) -> dict[str, Any]:
    """The settings that were filled in, as values of their types."""
    settings: dict[str, Any] = {}
    for setting in settings_of(kind):
        name, text = setting["name"], given.get(setting["name"], "")
        if not text:
            continue
        if setting["type"] == "int":
            if not text.removeprefix("-").isdigit() or not text.isascii() or len(text) > 12:
                raise InputError(name, repr(text[:20]), "a whole number", fields=(name,))
            settings[name] = int(text)
        elif setting["type"] == "bool":
            settings[name] = True
        elif setting["type"] == "tuple":
            settings[name] = [part.strip() for part in text.split(",") if part.strip()]
        else:
            settings[name] = text
    return settings


def cancel(request: Request, store: StoreOf, key: str) -> Response:
    """Ask a job to end."""
    try:
        job = store.cancel_job(key)
    except ChangedMeanwhileError as error:
        return _sheet(request, store, OFFERED[0], {}, Fault("order", said(error), "kind", {}))
    return see_other(f"/order?kind={job.kind if job.kind in OFFERED else OFFERED[0]}&done=ending")
