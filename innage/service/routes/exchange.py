"""Objects by the hashes of their documents, in order of reference; what travels beside them in blobs."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import FastAPI, Path, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from dataset.exchange.objects import KINDS, Offered, Parcel
from innage.jobs.exchange.choosing import chosen_objects
from innage.jobs.exchange.push import Beside, beside_model
from innage.service.answers import FOR_EVER, bytes_answer, json_answer
from innage.service.description import of_bytes, unless_unchanged
from innage.service.door import ActorOf, DoorOf, StoreOf
from innage.service.judging import judge_groups
from innage.service.messages.wire import (
    MOST_LISTED,
    MOST_NAMED,
    Asked,
    BlobsAsked,
    BlobsListed,
    Documents,
    Filter,
    Group,
    Groups,
    GroupsTaken,
    Listed,
    SentObject,
    Taken,
    dashed,
    named,
)
from innage.service.problems import Problem
from innage.service.receiving import check_scopes, cut_blobs, read_blob, read_body, take_group, take_groups

MOST_ANSWERED = 8 << 20  # bytes of documents in one answer
BY_DASHED = {dashed(kind): kind for kind in KINDS}
BLOB = "application/octet-stream"
DOCUMENT = "application/json"
BY_UPGRADE = "Innage-Hashed-By-Upgrade"

KindPath = Annotated[str, Path(json_schema_extra={"enum": list(BY_DASHED)})]
HashPath = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]


def register(app: FastAPI) -> None:
    """Add the routes."""
    add = app.add_api_route
    add("/v1/objects", list_objects, methods=["GET"], response_model=Listed, responses=unless_unchanged())
    add("/v1/objects", take, methods=["POST"])
    add("/v1/objects/lacking", lacking, methods=["POST"])
    add("/v1/objects/chosen", chosen, methods=["POST"])
    add("/v1/objects/documents", documents, methods=["POST"])
    bytes_of: dict[str, Any] = {"methods": ["GET"], "response_class": Response}
    names_of: dict[str, Any] = {
        "methods": ["GET"],
        "response_model": BlobsListed,
        "responses": unless_unchanged(),
    }
    add("/v1/objects/{kind}/{key}", document, **bytes_of, responses=of_bytes(DOCUMENT))
    add("/v1/sessions/{key}/packs", packs, **names_of)
    add("/v1/sessions/{key}/packs/{sha256}", pack, **bytes_of, responses=of_bytes(BLOB))
    add("/v1/models/{key}/parts", parts, **names_of)
    add("/v1/models/{key}/parts/{sha256}", part, **bytes_of, responses=of_bytes(BLOB))
    add("/v1/blobs/missing", missing_blobs, methods=["POST"])
    add("/v1/groups", take_several, methods=["POST"])
    add("/v1/groups/judged", judge_several, methods=["POST"])
    add("/v1/blobs", post_blobs, methods=["POST"], openapi_extra=_BLOB_BODY)
    add("/v1/blobs/{sha256}", put_blob, methods=["PUT"], **_BLOB_ANSWERS, openapi_extra=_BLOB_BODY)


_BLOB_ANSWERS: dict[str, Any] = {
    "status_code": 201,
    "response_class": Response,
    "responses": {200: {"description": "It was held already"}},
}
_BLOB_BODY = {
    "requestBody": {"required": True, "content": {BLOB: {"schema": {"type": "string", "format": "binary"}}}}
}


def list_objects(
    request: Request,
    door: DoorOf,
    kind: Annotated[str | None, Query(json_schema_extra={"enum": list(BY_DASHED)})] = None,
    after: Annotated[str | None, Query(max_length=100)] = None,
    limit: Annotated[int, Query(ge=1, le=MOST_LISTED)] = MOST_NAMED,
) -> Response:
    """A page of what the store has, behind the object ``after``, KIND/KEY; ``Link`` leads to the next one."""
    cursor = None if after is None else _cursor(after)
    kinds: tuple[str, ...] = KINDS if kind is None else (_kind(kind),)
    if cursor is not None:
        kinds = kinds[kinds.index(cursor.kind) if cursor.kind in kinds else len(kinds) :]
    objects = door.store.objects(kinds)
    if cursor is not None:
        objects = objects[_place(objects, cursor) :]
    page = objects[:limit]
    headers = {}
    if len(objects) > limit:
        of_kind = "" if kind is None else f"kind={quote(kind)}&"
        last = f"{dashed(page[-1].kind)}/{page[-1].key}"
        headers["Link"] = f'</v1/objects?{of_kind}limit={limit}&after={quote(last, safe="/")}>; rel="next"'
    return json_answer(request, Listed(objects=named(page)), **headers)


def _cursor(after: str) -> Offered:
    kind, _, key = after.partition("/")
    return Offered(_kind(kind), key)


def _place(objects: Sequence[Offered], cursor: Offered) -> int:
    """The place behind an object; nothing that is listed ever goes."""
    try:
        return objects.index(cursor) + 1
    except ValueError:
        raise Problem("not-found", "there is no such object to go on behind") from None


def _kind(word: str) -> str:
    if word not in BY_DASHED:
        raise Problem("not-found", "there is no such kind of object: one of " + ", ".join(BY_DASHED))
    return BY_DASHED[word]


def lacking(door: DoorOf, asked: Asked) -> Listed:
    """Which of these objects the store does not have."""
    return Listed(objects=named(door.store.lacking([one.offered for one in asked.objects])))


def chosen(door: DoorOf, wanted: Filter) -> Listed:
    """The sessions that fit a filter, with what they lean on and what was said of them."""
    return Listed(objects=named(chosen_objects(door.store, wanted.filter)))


def documents(door: DoorOf, asked: Asked) -> Documents:
    """The documents of these objects, in order of reference, as many as fit into one answer."""
    given: list[SentObject] = []
    size = 0
    with closing(door.store.parcels([one.offered for one in asked.objects])) as parcels:  # type: ignore[type-var]  # a generator
        for parcel in parcels:
            one = _sent(door, parcel)
            size += len(one.document) + 100 * len(one.blobs)
            if given and size > MOST_ANSWERED:
                break
            given.append(one)
    return Documents(objects=given)


def _sent(door: DoorOf, parcel: Parcel) -> SentObject:
    return SentObject(
        document=parcel.document.text,
        blobs=list(_beside(door, parcel).names),
        hashed_by_upgrade=parcel.hashed_by_upgrade,
    )


def _beside(door: DoorOf, parcel: Parcel) -> Beside:
    return (
        door.blobs.of(parcel.offered) if parcel.document.kind == "session" else beside_model(parcel.content)
    )


def document(request: Request, door: DoorOf, kind: KindPath, key: HashPath) -> Response:
    """The canonical bytes of an object's document."""
    parcel = _parcel(door, Offered(_kind(kind), key))
    headers = {BY_UPGRADE: "true"} if parcel.hashed_by_upgrade else {}
    return bytes_answer(request, parcel.document.text.encode(), DOCUMENT, **headers)


def _parcel(door: DoorOf, one: Offered) -> Parcel:
    found = list(door.store.parcels([one]))
    if not found:
        raise Problem("not-found", f"there is no such {one.kind}")
    return found[0]


def packs(request: Request, door: DoorOf, key: HashPath) -> Response:
    """The names of the packs that hold the frames of a session, in order."""
    return _names(request, door.blobs.of(Offered("session", key)))


def pack(request: Request, door: DoorOf, key: HashPath, sha256: HashPath) -> Response:
    """A pack of frames of a session."""
    return _blob(request, door.blobs.of(Offered("session", key)), sha256)


def parts(request: Request, door: DoorOf, key: HashPath) -> Response:
    """The names of the pieces of a model's float ONNX, in order."""
    return _names(request, door.blobs.of(Offered("model", key)))


def part(request: Request, door: DoorOf, key: HashPath, sha256: HashPath) -> Response:
    """A piece of a model's float ONNX."""
    return _blob(request, door.blobs.of(Offered("model", key)), sha256)


def _names(request: Request, of: Beside) -> Response:
    return json_answer(request, BlobsListed(blobs=list(of.names)))


def _blob(request: Request, of: Beside, sha256: str) -> Response:
    if sha256 not in of.names:
        raise Problem("not-found", "the object has no such blob")
    content = of.blob(of.names.index(sha256))
    return bytes_answer(request, content, BLOB, **{"Cache-Control": FOR_EVER})


def missing_blobs(door: DoorOf, asked: BlobsAsked) -> BlobsListed:
    """Which of these blobs are not held for an object that is to come."""
    there = door.store.staged_names(asked.blobs)
    return BlobsListed(blobs=[name for name in dict.fromkeys(asked.blobs) if name not in there])


async def put_blob(request: Request, door: DoorOf, actor: ActorOf, sha256: HashPath) -> Response:
    """Hold bytes until a document names them, for some days at most: 201 where they are new, 200 where they
    were held already.
    """
    content = await read_blob(request, sha256)
    new = await run_in_threadpool(door.stage, actor, {sha256: content})
    return Response(status_code=201 if new else 200)


async def post_blobs(request: Request, door: DoorOf, actor: ActorOf) -> BlobsListed:
    """Hold several blobs at once: of each its hash (32 bytes), its length (4 bytes, little-endian) and its
    bytes, one after the other. All of them or none; the answer names those that are new.
    """
    blobs = cut_blobs(await read_body(request))
    return BlobsListed(blobs=list(await run_in_threadpool(door.stage, actor, blobs)))


def _sent_by(actor: ActorOf) -> str:
    """What sentences call what somebody sent: their store has a name that nobody here knows."""
    return f"what {actor.name} sent"


def take(actor: ActorOf, store: StoreOf, group: Group) -> Taken:
    """Take objects in one transaction. What belongs to a session, a set or a model is taken whole or not at
    all; what is registered one by one. May be repeated: what is there already stays as it is.
    """
    check_scopes(store, actor, [group])
    return take_group(store, _sent_by(actor), group)


def take_several(actor: ActorOf, store: StoreOf, groups: Groups) -> GroupsTaken:
    """Take groups one after the other, as 'POST /v1/objects' takes one; what became of each."""
    check_scopes(store, actor, groups.groups)
    return take_groups(store, _sent_by(actor), groups)


def judge_several(actor: ActorOf, store: StoreOf, groups: Groups) -> GroupsTaken:
    """What 'POST /v1/groups' would answer, found out by the documents alone: nothing is written, no blob is
    asked for, and nothing is acknowledged.
    """
    check_scopes(store, actor, groups.groups)
    return judge_groups(store, _sent_by(actor), groups)
