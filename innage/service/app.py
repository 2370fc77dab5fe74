"""The door put together: the routes, and what every request passes before them."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

import anyio.to_thread
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from dataset.errors import InnageError, StoreBusyError, StoreError
from dataset.records import Actor, KnownBy
from innage.service import logs
from innage.service.description import PROBLEMS, describe
from innage.service.door import Door, Settings
from innage.service.kept_blobs import KeptBlobs
from innage.service.middleware import Guard, Log, methods_of
from innage.service.pages.binder import audit_sheet, files, home, searching, signing
from innage.service.pages.capture import coverage, registry, session, session_acts, sessions, unit, units
from innage.service.pages.jobs import job_acts, job_sheets
from innage.service.pages.paper.faults import answered
from innage.service.pages.paper.kept import Kept
from innage.service.pages.releases import certificates, release, released
from innage.service.pages.training import comparing, frozen_sets, limits, models
from innage.service.problems import Problem, problem_of
from innage.service.rate import Rate
from innage.service.rights import Authorise, authorise_by
from innage.service.routes import audit, bundles, channels, exchange, health, jobs, tokens

if TYPE_CHECKING:
    from dataset.store import Store

ROUTES = (health, exchange, channels, bundles, jobs, tokens, audit)
PAGES = (
    *(files, signing, home, sessions, session, session_acts, coverage, registry, units, unit),
    *(frozen_sets, models, limits, release, job_acts),
    *(certificates, released, job_sheets, audit_sheet, comparing, searching),
)
NOBODY = Actor("the service", KnownBy.USER, scopes=frozenset())  # who writes by a route that says nobody
_MOST_ERRORS = 20  # of a request that are named


def make_app(store: Store, settings: Settings | None = None, authorise: Authorise | None = None) -> FastAPI:
    """The door of an open store, which stays the caller's to close.

    Args:
        store: the store, opened for ``settings.threads`` users.
        settings: how it is run.
        authorise: who is at the door, by the Authorization header; None goes by the store's tokens.
    """
    chosen = settings or Settings()
    door = Door(
        store.acting_as(NOBODY),
        chosen,
        authorise or authorise_by(store),
        Rate(chosen.per_second, chosen.at_once),
        KeptBlobs(store),
    )
    app = FastAPI(
        title="innage",
        version="1.0",
        openapi_url="/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        telemetry={"tracing": False, "metrics": False, "logs": False},
        lifespan=_lifespan,
        responses=dict(PROBLEMS),
    )
    describe(app)
    app.state.door = door
    app.state.kept = Kept(door.store)
    for module in (*ROUTES, *PAGES):
        module.register(app)
    app.add_middleware(Guard, door=door)
    app.add_middleware(Log)
    for expected in (InnageError, HTTPException, RequestValidationError):
        app.add_exception_handler(expected, _answered)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    """No more requests work on the store than it has connections: one that waited for a thread is better off
    than one that waited for a connection.
    """
    anyio.to_thread.current_default_thread_limiter().total_tokens = app.state.door.settings.threads
    yield


async def _answered(request: Request, error: Exception) -> Response:
    if isinstance(error, RequestValidationError):
        return answered(request.scope, _invalid(error))
    if isinstance(error, StoreError) and not isinstance(error, StoreBusyError):
        logs.log_error(error)
    if isinstance(error, HTTPException) and error.status_code == 405:
        error.headers = {"Allow": ", ".join(methods_of(request.scope))}
    return answered(request.scope, problem_of(error))


def _invalid(error: RequestValidationError) -> Problem:
    """Where the request is not of the form of the route, without what stood there."""
    places = [
        {"at": "/".join(map(str, one["loc"])), "what": str(one["msg"])}
        for one in error.errors()[:_MOST_ERRORS]
    ]
    if any(one["type"] == "json_invalid" for one in error.errors()):
        return Problem("malformed", "the body is no JSON")
    said = "; ".join(f"{place['at']}: {place['what']}" for place in places[:3])
    return Problem("invalid-request", said, errors=places)
