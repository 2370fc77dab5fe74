"""What somebody reads who asks for a page and cannot have it."""

from __future__ import annotations

from http import HTTPStatus

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Scope as AsgiScope

from innage.service.pages.paper import cookies
from innage.service.pages.paper.frame import sheet
from innage.service.pages.paper.words import said
from innage.service.problems import KINDS, Problem, error_of
from innage.service.rights import is_page

MOST_SHOWN = 200  # letters of an address
UNREADABLE = "The address cannot be read"  # what nothing was sent with
_NEXT = {
    "unauthorised": "Sign in with a token that is good.",
    "not-allowed": "Ask whoever gives out tokens here for one that allows it, or sign in by another.",
    "not-found": "Look it up in the lists.",
    "host": "Open the page as 127.0.0.1 or localhost.",
    "rate": "Wait, then load the page again.",
    "busy": "Wait, then load the page again.",
}


def answered(scope: AsgiScope, problem: Problem) -> Response:
    """A problem as whoever asked reads it: a page in a browser, its document anywhere else. The log has its
    type.
    """
    scope.setdefault("state", {})["problem"] = problem.kind
    if scope["type"] != "http" or not is_page(scope["path"]):
        return problem.response()
    request = Request(scope)
    if "text/html" not in request.headers.get("accept", ""):
        return problem.response()
    headers = dict(problem.headers or {}) | {"Cache-Control": "no-store"}
    if problem.kind == "unauthorised":
        headers.pop("WWW-Authenticate", None)  # no browser can do anything with it
        form = {"fault": "", "onward": onward(_asked(request))}
        gone = {"Set-Cookie": cookies.no_cookie()} if cookies.secret_in(request.headers.get("cookie")) else {}
        return sheet(request, "sign_in.html", form, status=401, headers=headers | gone)
    asked_wrongly = request.method == "GET" and problem.kind in ("refused", "invalid-request")
    detail = str(problem.detail)
    if problem.status_code == HTTPStatus.NOT_FOUND and detail == HTTPStatus.NOT_FOUND.phrase:
        detail = f"Nothing has the address {request.url.path[:MOST_SHOWN]}."  # no route took it
    elif asked_wrongly and "errors" in problem.members:
        names = dict.fromkeys(str(one["at"]).rpartition("/")[2] for one in problem.members["errors"])
        detail = f"In the address, {' and '.join(names)} is not of the form that it needs."
    facts = {
        "title": UNREADABLE if asked_wrongly else KINDS[problem.kind].title,
        "status": problem.status_code,
        "detail": said(error_of(problem.members)) if "where" in problem.members else detail,
        "hint": "" if problem.members.get("hint") else _NEXT.get(problem.kind, ""),
    }
    return sheet(request, "fault.html", facts, status=problem.status_code, headers=headers)


def _asked(request: Request) -> str:
    query = request.url.query
    return request.url.path + (f"?{query}" if query else "") if request.method == "GET" else "/"


def onward(path: str) -> str:
    """Where to go on after signing in: a path of this service, whatever the address said."""
    local = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path if local and not path.startswith("/sign-") else "/"
