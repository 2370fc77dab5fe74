"""What every request passes on its way in: it is logged, told by its host, its token and its rate, and its
body counted. Plain ASGI, so that nothing is buffered.
"""

from __future__ import annotations

import time

import anyio
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.routing import Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from innage.service import logs
from innage.service.door import FAILED, Door
from innage.service.messages.wire import MOST_BLOB, MOST_BUNDLE, MOST_GROUP, MOST_OTHER
from innage.service.pages.paper import cookies
from innage.service.pages.paper.faults import answered
from innage.service.pages.paper.forms import check_origin
from innage.service.problems import Problem, busy, problem_of
from innage.service.rights import ALSO, RULES, Actor, Free, Rule, is_page, of_token

MOST_BODY = {
    ("PUT", "/v1/blobs/{sha256}"): MOST_BLOB,
    ("POST", "/v1/objects"): MOST_GROUP,
    ("PUT", "/v1/bundles/{sha256}"): MOST_BUNDLE,
    ("POST", "/v1/groups"): MOST_GROUP,
    ("POST", "/v1/groups/judged"): MOST_GROUP,
    ("POST", "/v1/blobs"): MOST_GROUP,
}
COUNTED = {("GET", "/readyz")}  # asked without a token: it asks the store, and counts for the address
MOST_DRAINED, DRAIN_S = 2 * MOST_GROUP, 5.0


class Guard:
    """Lets a request through that may do what its route does; answers any other with a problem."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app, self._door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or hand on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        state = scope.setdefault("state", {})  # the log's too
        if scope["method"] == "HEAD":  # as GET, without the body (RFC 9110, 9.3.2)
            scope, send = dict(scope, method="GET"), _without_body(send)
            state["head"] = True
        path = state["template"] = template_of(scope)
        body = _Body(receive, MOST_BODY.get((scope["method"], path), MOST_OTHER), self._door)
        try:
            try:
                rule = RULES.get((scope["method"], path), Free.ANY)
                headers = Headers(scope=scope)
                if is_page(scope["path"]):
                    check_origin(scope["method"], headers)
                if (scope["method"], path) in COUNTED:
                    self._door.count(f"address {(scope.get('client') or ('',))[0]}")
                if rule not in (Free.PUBLIC, Free.IN_FORM):
                    scope["state"]["actor"] = await self._admitted(scope, rule)
                body.check_stated(headers.get("content-length"))
            except Exception as error:
                if not isinstance(error, Problem):
                    logs.log_error(error)
                await body.drain()
                await answered(scope, problem_of(error))(scope, receive, send)
                return
            await self._answered(scope, body, send)
        finally:
            body.close()

    async def _answered(self, scope: Scope, body: _Body, send: Send) -> None:
        """Hand on; what nobody expected is logged, and told without its words where no answer has begun."""
        begun = False

        async def watching(message: Message) -> None:
            nonlocal begun
            if not begun:
                begun = True
                await body.drain()
            await send(message)

        try:
            await self._app(scope, body.receive, watching)
        except Exception as error:
            logs.log_error(error)
            if begun:
                raise  # the other end sees that the answer is not whole
            await answered(scope, problem_of(error))(scope, body.receive, send)

    async def _admitted(self, scope: Scope, rule: Rule) -> Actor:
        headers = Headers(scope=scope)
        address = (scope.get("client") or ("",))[0]
        try:
            actor = await run_in_threadpool(self._who, scope["path"], headers)
        except Problem:
            self._door.count(f"address {address}", FAILED)
            raise
        self._door.count(f"address {address}" if actor.token is None else f"token {actor.token}")
        if actor.token is None:
            self._check_host(headers.get("host", ""))
        if not actor.scopes & ALSO.get((scope["method"], scope["state"]["template"]), frozenset()):
            actor.must_have([rule])
        return actor

    def _who(self, path: str, headers: Headers) -> Actor:
        """By their token, or on pages by the cookie that they got for one."""
        header = headers.get("authorization")
        secret = cookies.secret_in(headers.get("cookie")) if header is None and is_page(path) else None
        token = None if secret is None else self._door.store.signed_in(secret)
        return self._door.authorise(header) if token is None else of_token(token)

    def _check_host(self, host: str) -> None:
        """Without tokens a page of a stranger's could read the store through a name that leads here."""
        name = host.rpartition(":")[0] if host.rpartition(":")[2].isdigit() else host
        if name.casefold() not in self._door.settings.hosts:
            raise Problem("host", "while the store holds no token, ask for it as 127.0.0.1 or localhost")


def _without_body(send: Send) -> Send:
    async def sending(message: Message) -> None:
        await send(dict(message, body=b"") if message["type"] == "http.response.body" else message)

    return sending


class _Body:
    """The body of a request, counted and timed as it arrives."""

    def __init__(self, receive: Receive, most: int, door: Door) -> None:
        self._receive, self._most = receive, most
        self._all, self._most_of_all = door.bodies, door.settings.bodies_bytes
        self._size, self._until = 0, time.monotonic() + door.settings.body_s
        self._whole = False

    def check_stated(self, length: str | None) -> None:
        """Problem for a body that says itself that it is too long."""
        if length is not None and (not length.isascii() or not length.isdigit()):
            raise Problem("malformed", "Content-Length is no number")
        if length is not None and int(length[:20]) > self._most:
            raise self._too_large()

    async def receive(self) -> Message:
        """The next piece."""
        if self._whole:
            return await self._receive()  # waits for the other end to go
        with anyio.move_on_after(max(self._until - time.monotonic(), 0.0)) as timer:
            message = await self._receive()
        if timer.cancelled_caught:
            raise Problem("too-slow", "the body did not arrive in time", {"Connection": "close"})
        self._whole = not message.get("more_body", False)
        length = len(message.get("body", b""))
        self._size += length
        self._all.size += length
        if self._size > self._most:
            raise self._too_large()
        if self._all.size > self._most_of_all:
            raise busy()
        return message

    async def drain(self) -> None:
        """Let the rest of a body that nobody wants arrive, for a while: whoever is cut off while sending may
        never see the answer.
        """
        left = MOST_DRAINED
        with anyio.move_on_after(DRAIN_S):
            while not self._whole and left > 0:
                message = await self._receive()
                left -= len(message.get("body", b""))
                self._whole = not message.get("more_body", False)

    def close(self) -> None:
        """The request is answered: its body is held no longer."""
        self._all.size -= self._size

    def _too_large(self) -> Problem:
        return Problem(
            "too-large", f"at most {self._most} bytes", {"Connection": "close"}, most_bytes=self._most
        )


def template_of(scope: Scope) -> str:
    """The path of the route that a request is for, as it was registered; '' where there is none."""
    partial = ""
    for route in scope["app"].routes:
        match, _ = route.matches(scope)
        if match is Match.FULL:
            return str(route.path)
        partial = partial or (str(route.path) if match is Match.PARTIAL else "")
    return partial


def methods_of(scope: Scope) -> list[str]:
    """Every method that the path of a request takes, over all routes of it (RFC 9110, 10.2.1)."""
    here = (route for route in scope["app"].routes if route.matches(scope)[0] is not Match.NONE)
    methods = {method for route in here for method in route.methods}
    return sorted(methods | ({"HEAD"} if "GET" in methods else set()))


class Log:
    """A line for each request, without its query, headers or body."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand on, and write the line when the answer has gone."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began = time.monotonic()
        status = 0
        sent = 0

        async def counting(message: Message) -> None:
            nonlocal status, sent
            if message["type"] == "http.response.start":
                status = message["status"]
            sent += len(message.get("body", b""))
            await send(message)

        try:
            await self._app(scope, receive, counting)
        finally:
            state = scope.get("state", {})
            actor = state.get("actor")
            refused = {"problem": state["problem"]} if "problem" in state else {}
            logs.log_request(
                method=scope["method"],
                route=state.get("template", ""),
                status=status,
                **refused,
                seconds=time.monotonic() - began,
                sent_bytes=sent,
                actor=None if actor is None else actor.token or actor.name,
                address=(scope.get("client") or (None,))[0],
            )
