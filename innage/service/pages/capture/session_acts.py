"""What is done at a desk about a session: voiding and taking back, amending, tagging. Each act is one of the
store's, by whoever signed in, with the rights of their token, and stands in the audit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from dataset.errors import ChangedMeanwhileError, InputError, NotFoundError
from dataset.store import Store
from innage.jobs.sessions.amending import NewStatements, amend_session
from innage.service.door import ActorOf, StoreOf
from innage.service.pages.capture.session import record_sheet
from innage.service.pages.paper.forms import fault_of, fields_of, given
from innage.service.pages.paper.frame import PAGE, see_other

Act = Callable[[], str]  # what was done, as the page says it (words.DONE)
STATED = ("unit", "liquid", "mounting", "condition", "operator", "bench", "started", "firmware")


def register(app: FastAPI) -> None:
    """Add the routes."""
    for name, act in (("void", void), ("take-back", take_back), ("tag", tag), ("amend", amend)):
        app.add_api_route(f"/sessions/{{key}}/{name}", act, methods=["POST"], **PAGE)


async def void(request: Request, store: StoreOf, key: str) -> Response:
    """Say that the session must not be used, and why."""
    fields = await fields_of(request)

    def act() -> str:
        store.void(key, given(fields, "reason"))
        return "void"

    return await _done(request, store, key, ("void", fields, act))


async def take_back(request: Request, store: StoreOf, key: str) -> Response:
    """Say that a void session can be used after all, and why."""
    fields = await fields_of(request)

    def act() -> str:
        store.take_back_void(key, given(fields, "reason"))
        return "usable"

    return await _done(request, store, key, ("take-back", fields, act))


async def tag(request: Request, store: StoreOf, actor: ActorOf, key: str) -> Response:
    """Give the session a tag, or take one from it."""
    fields = await fields_of(request)

    def act() -> str:
        word = given(fields, "tag")
        if "remove" in fields:
            store.untag([key], [word], actor.name)
            return "untagged"
        store.tag([key], [word], actor.name)
        return "tagged"

    return await _done(request, store, key, ("tag", fields, act))


async def amend(request: Request, store: StoreOf, actor: ActorOf, key: str) -> Response:
    """State anew what the session says; what is left empty stays as it is."""
    fields = await fields_of(request)

    def act() -> str:
        said_anew: dict[str, Any] = {name: fields[name] for name in STATED if fields.get(name)}
        stated = NewStatements(**said_anew)
        amend_session(store, key, stated, actor.name, given(fields, "reason"))
        return "amended"

    return await _done(request, store, key, ("amend", fields, act))


async def _done(
    request: Request, store: Store, key: str, form: tuple[str, Mapping[str, str], Act]
) -> Response:
    """Do it and go on to the record; a fault of the form stands on the record, with what was filled in."""
    name, fields, act = form
    try:
        done = await run_in_threadpool(act)
    except ChangedMeanwhileError:
        raise
    except (InputError, NotFoundError) as error:
        fault = fault_of(name, error, fields)
        return await run_in_threadpool(record_sheet, request, store, key, fault)
    return see_other(f"/sessions/{key}?done={done}")
