"""The channels: what each points at, and its moves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from fastapi import FastAPI, Path, Query, Request
from starlette.responses import Response

from dataset.values import check_channel
from innage.jobs.releasing.facts import channel_facts, move_facts
from innage.service.door import DoorOf
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.tables import Form, json_file, rows_file
from innage.service.pages.releases.release import SAYS

if TYPE_CHECKING:
    from dataset.store import Store

MOST_NAME = 60
ChannelPath = Annotated[str, Path(max_length=MOST_NAME)]
FACTS = (
    "channel",
    "bundle_sha256",
    "model",
    "withdrawn",
    "author",
    "reason",
    "moved_at",
    "concessions",
    "judged_by",
    "sha256",
)
MOVES = (
    "moved_at",
    "bundle_sha256",
    "author",
    "reason",
    "concessions",
    "judged_by",
    "sha256",
    "parent",
)


def register(app: FastAPI) -> None:
    """Add the routes. What is told of one channel for programs names it in the query: a name may end in
    '.json', and holds slashes.
    """
    app.add_api_route("/channels", listed, methods=["GET"], **PAGE)
    app.add_api_route("/channels.{form}", table, methods=["GET"], **PAGE)
    app.add_api_route("/channels/{name:path}", one, methods=["GET"], **PAGE)
    app.add_api_route("/moves.{form}", moves, methods=["GET"], **PAGE)


def listed(request: Request, door: DoorOf) -> Response:
    """All of them, by name."""
    return sheet(request, "channels.html", {"rows": _rows(door.store)})


def table(request: Request, door: DoorOf, form: Form) -> Response:
    """All of them, by name."""
    return rows_file(request, "channels", form, _rows(door.store), FACTS)


def one(request: Request, door: DoorOf, name: ChannelPath) -> Response:
    """What a channel points at, and how it came to."""
    store = door.store
    standing = store.channel(name)
    facts = {
        "standing": standing,
        "bundle": store.bundle(standing.bundle_sha256),
        "moves": store.channel_moves(name)[::-1],
        "withdrawn": {line.bundle_sha256: line.withdrawn for line in store.bundle_lines()},
        "conceded": SAYS,
    }
    return sheet(request, "channel.html", facts)


def moves(
    request: Request, door: DoorOf, form: Form, channel: Annotated[str, Query(max_length=MOST_NAME)]
) -> Response:
    """The moves of a channel, the oldest first."""
    check_channel(channel)
    rows = [move_facts(move) for move in door.store.channel_moves(channel)]
    if form is Form.JSON:
        return json_file(request, rows)
    file = f"channel-{channel.replace('/', '-')}-moves"
    return rows_file(request, file, form, rows, MOVES)


def _rows(store: Store) -> list[dict[str, Any]]:
    lines = {line.bundle_sha256: line for line in store.bundle_lines()}
    return [channel_facts(move, lines[move.bundle_sha256]) for move in store.channels()]
