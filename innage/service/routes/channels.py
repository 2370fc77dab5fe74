"""Channels: what they point at, and moved to another bundle once the store has judged it."""

from __future__ import annotations

import threading
from typing import Annotated, Any

from fastapi import FastAPI, Header, Path, Query, Request
from starlette.responses import Response

from dataset.errors import ChangedMeanwhileError, NotFoundError
from dataset.records import ChannelMove
from innage.jobs.releasing.facts import channel_facts, gates_facts, move_facts
from innage.jobs.releasing.moving import CURRENT, GatesShutError, Wish, move_channel
from innage.service.answers import json_answer
from innage.service.description import unless_unchanged
from innage.service.door import ActorOf, DoorOf, StoreOf
from innage.service.messages.releases import (
    ChannelAnswer,
    Channels,
    MoveAnswer,
    MoveAsked,
    MovedAnswer,
    Moves,
)
from innage.service.problems import Problem, busy, parts_of

WAIT_S = 20.0  # for the turn of a bundle to be judged
JUDGING = threading.Lock()  # it takes seconds, and some hundred megabytes at most: one at a time

ChannelPath = Annotated[str, Path(max_length=60)]
Condition = Annotated[str | None, Header(max_length=200)]


_NEW: dict[int | str, dict[str, Any]] = {201: {"model": MovedAnswer, "description": "It is new"}}


def register(app: FastAPI) -> None:
    """Add the routes."""
    add = app.add_api_route
    add("/v1/channels", listed, methods=["GET"])
    add(
        "/v1/channels/{name:path}",
        channel,
        methods=["GET"],
        response_model=ChannelAnswer,
        responses=unless_unchanged(),
    )
    add("/v1/channels/{name:path}", move, methods=["PUT"], response_model=MovedAnswer, responses=_NEW)
    add("/v1/moves", moves, methods=["GET"])


def listed(door: DoorOf) -> Channels:
    """Every channel, by name, with the bundle that it points at."""
    return Channels(channels=[_answer(door, standing) for standing in door.store.channels()])


def _answer(door: DoorOf, standing: ChannelMove) -> ChannelAnswer:
    bundle = door.store.bundle(standing.bundle_sha256)
    return ChannelAnswer.model_validate(channel_facts(standing, bundle))


def channel(request: Request, door: DoorOf, name: ChannelPath) -> Response:
    """What a channel points at. The entity tag is the hash of the move that stands."""
    standing = door.store.channel(name)
    return json_answer(request, _answer(door, standing), standing.sha256)


def moves(door: DoorOf, channel: Annotated[str, Query(max_length=60)]) -> Moves:
    """The moves of a channel, the oldest first."""
    each = door.store.channel_moves(channel)
    return Moves(moves=[MoveAnswer.model_validate(move_facts(one)) for one in each])


def move(
    response: Response,
    actor: ActorOf,
    store: StoreOf,
    name: ChannelPath,
    asked: MoveAsked,
    if_match: Condition = None,
    if_none_match: Condition = None,
) -> MovedAnswer:
    """Point a channel at a bundle that the store keeps and that passes the gates; 201 where it is new.
    ``If-Match`` names the move that stands, ``If-None-Match: *`` says that there is none.
    """
    follows = _follows(if_match, if_none_match)
    wish = Wish(name, actor.name, asked.reason, tuple(asked.concessions), follows)
    if if_match is not None and if_match.strip() == "*":
        _must_be_there(store, name)
    if not JUDGING.acquire(timeout=WAIT_S):
        raise busy()
    try:
        moved = move_channel(store, asked.bundle_sha256, wish)
    except ChangedMeanwhileError as error:
        raise Problem("precondition-failed", str(error), **parts_of(error)) from error
    except GatesShutError as shut:
        raise Problem(
            "gates", str(shut), **parts_of(shut), **gates_facts(shut.judgement, shut.stopping)
        ) from shut
    finally:
        JUDGING.release()
    response.status_code = 201 if moved.before is None else 200
    response.headers["ETag"] = f'"{moved.move.sha256}"'
    facts = {"move": move_facts(moved.move), "before": moved.before, **gates_facts(moved.judgement, ())}
    return MovedAnswer.model_validate(facts)


def _must_be_there(store: StoreOf, name: str) -> None:
    try:
        store.channel(name)
    except NotFoundError as error:
        raise Problem("precondition-failed", str(error), **parts_of(error)) from error


def _follows(if_match: str | None, if_none_match: str | None) -> str | None:
    """The hash of the move that the request follows, by its conditions (RFC 9110, 13.1: strong comparison).

    Raises:
        Problem: it has none, or they can't hold.
    """
    if if_match is not None:
        tag = if_match.strip()
        if tag == "*":
            return CURRENT
        if len(tag) != 66 or tag[0] != '"' or tag[-1] != '"':
            raise Problem("precondition-failed", "If-Match names no move of a channel")
        return tag[1:-1]
    if if_none_match is None:
        raise Problem(
            "precondition-required",
            "say what the channel points at now, by If-Match, or by If-None-Match: * that it is new",
        )
    if if_none_match.strip() != "*":
        raise Problem("precondition-failed", "If-None-Match can only be *: the channel is new")
    return None
