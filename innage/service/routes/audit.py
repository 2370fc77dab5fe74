"""The audit chain: who did what."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated
from urllib.parse import urlencode

from fastapi import FastAPI, Query, Response

from innage.service.door import DoorOf
from innage.service.messages.wire import Answer

MOST = 500  # rows of one answer
MOST_NAME = 200  # characters


class AuditAnswer(Answer):
    """A row of the chain; a row's hash covers all of it and the hash of the row before."""

    number: int
    at: str
    who: str
    known_by: str
    token: str | None
    bench: str | None
    kind: str
    object_sha256: str
    about: str | None
    reason: str | None
    previous: str
    sha256: str


def register(app: FastAPI) -> None:
    """Add the route."""
    app.add_api_route("/v1/audit", rows, methods=["GET"])


def rows(
    door: DoorOf,
    response: Response,
    after: Annotated[int, Query(ge=0, le=1 << 53)] = 0,
    limit: Annotated[int, Query(ge=1, le=MOST)] = MOST,
    token: Annotated[str | None, Query(max_length=MOST_NAME)] = None,
    who: Annotated[str | None, Query(max_length=MOST_NAME)] = None,
) -> list[AuditAnswer]:
    """The rows behind the number ``after``, in order, of a token by its id or of somebody by name where that
    is asked; ``Link`` leads to the next.
    """
    found = door.store.audit(after, limit + 1, token=token, who=who)
    if len(found) > limit:
        by = {key: value for key, value in {"token": token, "who": who}.items() if value is not None}
        url = "/v1/audit?" + urlencode({"after": found[limit - 1].number, "limit": limit} | by)
        response.headers["Link"] = f'<{url}>; rel="next"'
    return [AuditAnswer(**asdict(row)) for row in found[:limit]]
