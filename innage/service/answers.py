"""Answers made of bytes that have a hash: entity tags, digests and ranges (RFC 9110, RFC 9530)."""

from __future__ import annotations

import base64
import hashlib
import re

from pydantic import BaseModel
from starlette.requests import Request
from starlette.responses import Response

from innage.service.problems import Problem

_RANGE = re.compile(r"bytes=([0-9]{0,15})-([0-9]{0,15})")
FOR_EVER = "private, max-age=31536000, immutable"  # what a hash names does not change


def digest_field(content: bytes) -> str:
    """The value of Content-Digest or Repr-Digest."""
    return f"sha-256=:{base64.b64encode(hashlib.sha256(content).digest()).decode()}:"


def bytes_answer(request: Request, content: bytes, media_type: str, **headers: str) -> Response:
    """Bytes, or the part of them that is asked for, or that the client has them already.

    Raises:
        Problem: 'range' for a part that there is not.
    """
    tag = f'"{hashlib.sha256(content).hexdigest()}"'
    common = {"ETag": tag, "Accept-Ranges": "bytes", "Repr-Digest": digest_field(content)} | headers
    if is_known(request, tag):
        return Response(status_code=304, headers={"ETag": tag} | headers)
    part = _part(request, len(content), tag)
    if part is None:
        return Response(content, 200, common | {"Content-Digest": digest_field(content)}, media_type)
    start, stop = part
    said = {"Content-Range": f"bytes {start}-{stop - 1}/{len(content)}"}
    return Response(
        content[start:stop],
        206,
        common | said | {"Content-Digest": digest_field(content[start:stop])},
        media_type,
    )


def json_answer(request: Request, message: BaseModel, of: str | None = None, **headers: str) -> Response:
    """A message whose entity tag is the hash of what it shows, or the hash ``of`` what it is about."""
    content = message.model_dump_json().encode()
    tag = f'"{of or hashlib.sha256(content).hexdigest()}"'
    common = {"ETag": tag, "Cache-Control": "no-cache"} | headers
    if is_known(request, tag):
        return Response(status_code=304, headers=common)
    return Response(content, 200, common | {"Content-Digest": digest_field(content)}, "application/json")


def is_known(request: Request, tag: str) -> bool:
    """Whether If-None-Match names this entity tag (weak comparison)."""
    stated = request.headers.get("if-none-match")
    if stated is None:
        return False
    return stated.strip() == "*" or tag in (one.strip().removeprefix("W/") for one in stated.split(","))


def _part(request: Request, length: int, tag: str) -> tuple[int, int] | None:
    """The bytes that are asked for; None is all of them, also where Range is of another form, or about
    another entity.
    """
    stated = request.headers.get("range")
    match = None if stated is None else _RANGE.fullmatch(stated.strip())
    if match is None or match[1] == match[2] == "" or request.headers.get("if-range", tag) != tag:
        return None
    if match[1] == "":
        start, stop = max(length - int(match[2]), 0), length
    else:
        start, stop = int(match[1]), min(int(match[2] or length) + 1, length)
        if match[2] and int(match[2]) < start:
            return None
    if start >= stop:
        raise Problem("range", f"there are {length} bytes", {"Content-Range": f"bytes */{length}"})
    return start, stop
