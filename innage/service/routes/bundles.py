"""Bundles that were offered: what they are, their files by hash, and withdrawn ones."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import FastAPI, Path, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from dataset.records import WithdrawalEvent
from dataset.store.results.bundles import LEAST_DIGITS
from export.bundle.manifest import MANIFEST, read_manifest
from export.bundle.packing import unpack
from innage.jobs.releasing.facts import bundle_facts
from innage.jobs.releasing.moving import keep
from innage.jobs.releasing.pulling import bundle_now
from innage.service.answers import FOR_EVER, bytes_answer, json_answer
from innage.service.description import of_bytes, unless_unchanged
from innage.service.door import ActorOf, DoorOf, StoreOf
from innage.service.messages.releases import BundleAnswer, Said, Withdrawn
from innage.service.problems import Problem

ZIP = "application/zip"
BYTES = "application/octet-stream"
BundlePath = Annotated[str, Path(pattern=rf"^[0-9a-f]{{{LEAST_DIGITS},64}}$")]
HashPath = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]
_FILE = {"schema": {"type": "string", "format": "binary"}}
_OFFERED: dict[str, Any] = {
    "response_model": BundleAnswer,
    "responses": {201: {"model": BundleAnswer, "description": "Something of it is new"}},
    "openapi_extra": {"requestBody": {"required": True, "content": {ZIP: _FILE}}},
}


def register(app: FastAPI) -> None:
    """Add the routes."""
    add = app.add_api_route
    add(
        "/v1/bundles/{sha256}",
        bundle,
        methods=["GET"],
        response_model=BundleAnswer,
        responses=unless_unchanged(),
    )
    add("/v1/bundles/{sha256}", offer, methods=["PUT"], **_OFFERED)
    add(
        "/v1/bundles/{sha256}/files/{file}",
        file,
        methods=["GET"],
        response_class=Response,
        responses=of_bytes(BYTES),
    )
    add("/v1/bundles/{sha256}/withdraw", withdraw, methods=["POST"])
    add("/v1/bundles/{sha256}/take-back", take_back, methods=["POST"])


def bundle(request: Request, door: DoorOf, sha256: BundlePath) -> Response:
    """A bundle by its hash or the first digits of it, and what is said of it now."""
    return json_answer(request, _answer(door, sha256))


def _answer(door: DoorOf, sha256: str) -> BundleAnswer:
    return BundleAnswer.model_validate(bundle_facts(bundle_now(door.store, sha256)))


def file(request: Request, door: DoorOf, sha256: BundlePath, file: HashPath) -> Response:
    """The bytes of a file of a bundle, by their hash."""
    content = door.store.bundle_file(sha256, file)
    headers = {"Cache-Control": FOR_EVER, "X-Content-Type-Options": "nosniff"}
    return bytes_answer(request, content, BYTES, **headers)


async def offer(request: Request, door: DoorOf, store: StoreOf, sha256: HashPath) -> Response:
    """Keep the files of a bundle, and what is signed of it: its zip file, whose model the store has. 201
    where something is new. The gates come when a channel is moved to it.
    """
    if request.headers.get("content-type", ZIP).partition(";")[0].strip().casefold() != ZIP:
        raise Problem("media-type", f"send it as {ZIP}", {"Accept": ZIP})
    content = await request.body()
    new = await run_in_threadpool(_kept, store, sha256, content)
    answer = await run_in_threadpool(_answer, door, sha256)
    body = answer.model_dump_json()
    return Response(body, 201 if new else 200, media_type="application/json")


def _kept(store: StoreOf, sha256: str, content: bytes) -> bool:
    files = unpack(content, "bundle")
    if read_manifest(files[MANIFEST]).bundle_sha256 != sha256:
        raise Problem("digest-mismatch", "what arrived is another bundle")
    return keep(store, files)[1]


def withdraw(actor: ActorOf, store: StoreOf, sha256: BundlePath, said: Said) -> Withdrawn:
    """Say that a bundle must not be used. It stays, and so do channels."""
    return _withdrawn(store.withdraw(sha256, actor.name, said.reason, datetime.now(UTC)))


def take_back(actor: ActorOf, store: StoreOf, sha256: BundlePath, said: Said) -> Withdrawn:
    """Say that a withdrawn bundle can be used after all."""
    return _withdrawn(store.take_back_withdrawal(sha256, actor.name, said.reason, datetime.now(UTC))[-1])


def _withdrawn(event: WithdrawalEvent) -> Withdrawn:
    return Withdrawn(
        bundle_sha256=event.bundle_sha256,
        author=event.author,
        reason=event.reason,
        said_at=event.said_at,
        takes_back=event.takes_back,
    )
