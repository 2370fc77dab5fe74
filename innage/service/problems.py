"""What the door says when something cannot be: problem details (RFC 9457), each of a type that stays.

A type is what a program may rest on; title and detail are for people. What an error of innage's is made of
travels in members of its own, so that a client says it in its own users' words.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

from dataset.errors import (
    InnageError,
    InputError,
    NotAllowedError,
    NotFoundError,
    StateError,
    StoreBusyError,
    StoreError,
)

MEDIA_TYPE = "application/problem+json"
PREFIX = "/problems/"
RETRY_S = 5
_MOST_FIELDS = 20


class Kind(NamedTuple):
    """A type of problem: the status that it goes with, and its title."""

    status: int
    title: str


KINDS: Mapping[str, Kind] = {
    "invalid-request": Kind(422, "The request is not of the form that the protocol has"),
    "malformed": Kind(400, "The body cannot be read"),
    "digest-mismatch": Kind(400, "The bytes hash to another name"),
    "refused": Kind(422, "What was sent cannot be taken"),
    "held-back": Kind(409, "What was sent contradicts the store, or leans on what is not here"),
    "missing-blobs": Kind(409, "Blobs that were named have not arrived"),
    "unauthorised": Kind(401, "A token is needed"),
    "not-allowed": Kind(403, "The token does not have the scope for this"),
    "cross-origin": Kind(403, "The form came from elsewhere"),
    "not-found": Kind(404, "There is no such thing"),
    "method-not-allowed": Kind(405, "This cannot be done here"),
    "too-slow": Kind(408, "The body took too long to arrive"),
    "conflict": Kind(409, "It is in another state than it would have to be"),
    "gates": Kind(409, "The bundle does not pass the gates before a channel"),
    "gone": Kind(410, "It was there, and is no longer kept"),
    "precondition-failed": Kind(412, "It was changed meanwhile"),
    "precondition-required": Kind(428, "The request must say what it changes"),
    "too-large": Kind(413, "The body is too large"),
    "media-type": Kind(415, "The body is of a kind that is not taken here"),
    "range": Kind(416, "There are no such bytes"),
    "host": Kind(421, "This is not the host that was asked for"),
    "rate": Kind(429, "Too many requests"),
    "unexpected": Kind(500, "Something went wrong here"),
    "store": Kind(500, "The store cannot be used"),
    "busy": Kind(503, "The store is busy"),
    "not-ready": Kind(503, "The store cannot be used yet"),
    "quota": Kind(507, "There is no more room"),
}
_OF_STATUS = {
    400: "malformed",
    404: "not-found",
    405: "method-not-allowed",
    413: "too-large",
    415: "media-type",
    422: "invalid-request",
}


class Problem(HTTPException):
    """One of :data:`KINDS`, with a sentence on this case.

    Args:
        kind: a key of ``KINDS``.
        detail: the sentence.
        headers: of the answer, beside its own.
        members: further members of the document.
    """

    def __init__(
        self, kind: str, detail: str, headers: Mapping[str, str] | None = None, **members: Any
    ) -> None:
        self.kind, self.members = kind, members
        super().__init__(KINDS[kind].status, detail, dict(headers or {}))

    @property
    def document(self) -> dict[str, Any]:
        """The members of the document."""
        kind = KINDS[self.kind]
        own = {"type": PREFIX + self.kind, "title": kind.title, "status": kind.status, "detail": self.detail}
        return own | self.members

    def response(self) -> JSONResponse:
        """The answer."""
        return JSONResponse(self.document, self.status_code, self.headers, MEDIA_TYPE)


def problem_of(error: Exception) -> Problem:
    """What is said of an error; of one of the store's own nothing that shows where it lies."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, InnageError):
        return _of_innage(error)
    if isinstance(error, HTTPException):
        known = _OF_STATUS.get(error.status_code, "unexpected")
        return Problem(known, str(error.detail), error.headers)
    return Problem("unexpected", "the log says what")


def _of_innage(error: InnageError) -> Problem:
    if isinstance(error, StoreBusyError):
        return busy()
    if isinstance(error, NotAllowedError):
        return unauthorised(given=True) if error.token_ended else not_allowed(str(error), error.scope)
    if isinstance(error, StoreError):
        return Problem("store", "the store cannot be used; its log says why")
    kinds = {NotFoundError: "not-found", StateError: "conflict"}
    kind = next((kind for of, kind in kinds.items() if isinstance(error, of)), "refused")
    return Problem(kind, str(error), **parts_of(error))


def unauthorised(*, given: bool) -> Problem:
    """Nobody who may anything (RFC 6750, 3.1: invalid_token)."""
    error = ', error="invalid_token"' if given else ""
    good_here = "the token is not one that is good here"
    detail = good_here if given else "no token was sent; HTTP has it as 'Authorization: Bearer TOKEN'"
    return Problem("unauthorised", detail, {"WWW-Authenticate": f'Bearer realm="innage"{error}'})


def not_allowed(detail: str, scope: str | None) -> Problem:
    """Somebody who may something else (RFC 6750, 3.1: insufficient_scope): another scope is needed, or a
    token for another bench.
    """
    needed = "" if scope is None else f', scope="{scope}"'
    challenge = f'Bearer realm="innage", error="insufficient_scope"{needed}'
    members = {} if scope is None else {"scope": str(scope)}
    return Problem("not-allowed", detail, {"WWW-Authenticate": challenge}, **members)


def busy() -> Problem:
    """The store had no connection, or a writer's turn, for this request in time."""
    return Problem("busy", "nothing was changed; try again", {"Retry-After": str(RETRY_S)})


def parts_of(error: InnageError) -> dict[str, Any]:
    """The parts of an error, as members of a document."""
    return {
        "where": error.where,
        "found": error.found,
        "expected": error.expected,
        "hint": error.hint,
        "fields": list(error.fields),
    }


def error_of(parts: Mapping[str, Any]) -> InputError:
    """The error that such members were made of."""
    where, found, expected, hint = (str(parts.get(key, "")) for key in ("where", "found", "expected", "hint"))
    fields = parts.get("fields", ())
    named = tuple(map(str, fields[:_MOST_FIELDS])) if isinstance(fields, list | tuple) else ()
    return InputError(where, found, expected, hint, fields=named)
