"""What clients send to a door, and the problems that it answers."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

import httpx

from dataset.exchange.objects import Parcel
from innage.service.problems import KINDS as PROBLEMS
from innage.service.problems import MEDIA_TYPE, PREFIX


def is_problem(answer: httpx.Response, kind: str) -> dict[str, Any]:
    """Asserts that an answer is a problem of this kind; its document."""
    assert answer.headers["content-type"] == MEDIA_TYPE, answer.text
    document: dict[str, Any] = answer.json()
    assert (document["type"], answer.status_code) == (PREFIX + kind, PROBLEMS[kind].status), document
    return document


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def put(door: httpx.Client, content: bytes, name: str | None = None, **headers: str) -> httpx.Response:
    """Send a blob."""
    stated = {"content-type": "application/octet-stream"} | headers
    return door.put(f"/v1/blobs/{name or sha256(content)}", content=content, headers=stated)


def sent(parcel: Parcel, *blobs: str) -> dict[str, Any]:
    """An object as it stands in a request."""
    return {"document": parcel.document.text, "blobs": list(blobs)}


def post(door: httpx.Client, *objects: Mapping[str, Any]) -> httpx.Response:
    """Send a group."""
    return door.post("/v1/objects", json={"objects": objects})
