"""Signing in and out: a token is exchanged for a cookie, which pages go by."""

from __future__ import annotations

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from innage.service.door import DoorOf
from innage.service.pages.paper import cookies
from innage.service.pages.paper.faults import onward
from innage.service.pages.paper.forms import fields_of
from innage.service.pages.paper.frame import PAGE, see_other, sheet

WRONG = "This token is not one that is good here: mistyped, expired or revoked."


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/sign-in", asked, methods=["GET"], **PAGE)
    app.add_api_route("/sign-in", sign_in, methods=["POST"], **PAGE)
    app.add_api_route("/sign-out", sign_out, methods=["POST"], **PAGE)


async def asked(request: Request) -> Response:
    """The form."""
    facts = {"fault": "", "onward": onward(request.query_params.get("onward", "/"))}
    return sheet(request, "sign_in.html", facts)


async def sign_in(request: Request, door: DoorOf) -> Response:
    """Exchange a token for a cookie. A wrong one counts as at any other route."""
    fields = await fields_of(request)
    path = onward(fields.get("onward", "/"))
    signed = await run_in_threadpool(door.store.sign_in, fields.get("token", ""))
    if signed is None:
        door.count_failed(request)
        return sheet(request, "sign_in.html", {"fault": WRONG, "onward": path}, status=422)
    _, secret = signed
    return _going_on(path, cookies.set_cookie(secret))


async def sign_out(request: Request, door: DoorOf) -> Response:
    """End what the cookie was good for, and take it away."""
    secret = cookies.secret_in(request.headers.get("cookie"))
    if secret is not None:
        await run_in_threadpool(door.store.sign_out, secret)
    return _going_on("/sign-in?done=signed-out", cookies.no_cookie())


def _going_on(path: str, cookie: str) -> Response:
    answer = see_other(path)
    answer.headers["Set-Cookie"] = cookie
    return answer
