"""A channel moved at a desk: where the channels point, and the order to move one, with what the gates say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from dataset.errors import InputError, NotFoundError
from innage.jobs.releasing.gates import CONCESSIONS
from innage.jobs.releasing.moving import GatesShutError, Wish, move_channel
from innage.service.door import ActorOf, DoorOf, StoreOf
from innage.service.pages.paper.forms import Fault, fault_of, fields_of, given
from innage.service.pages.paper.frame import PAGE, see_other, sheet
from innage.service.problems import busy
from innage.service.routes.channels import JUDGING, WAIT_S

if TYPE_CHECKING:
    from dataset.store import Store
    from innage.jobs.releasing.gates import Gate

NEW = "new"  # in the form: the channel is not there yet
SAYS = {
    "anyway": "limits that are not met",
    "even_if_unproven": "limits without enough evidence",
    "even_if_void": "sessions that were made void since the set was frozen",
    "even_if_amended": "sessions that were amended since the set was frozen",
    "even_if_retired": "a model that is retired",
}


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/release", order, methods=["GET"], **PAGE)
    app.add_api_route("/release", move, methods=["POST"], **PAGE)


def order(request: Request, door: DoorOf, channel: str = "", bundle: str = "") -> Response:
    """The order, empty or with what the address names."""
    return _sheet(request, door.store, {"channel": channel, "bundle": bundle})


def _sheet(
    request: Request, store: Store, fields: Mapping[str, str], fault: Fault | None = None, gates: Any = ()
) -> Response:
    standing = store.channels()
    lines = {line.bundle_sha256: line for line in store.bundle_lines()}
    wanted = fields.get("channel", "")
    facts = {
        "channels": [(move, lines[move.bundle_sha256]) for move in standing],
        "given": fields,
        "follows": next((move.sha256 for move in standing if move.channel == wanted), NEW),
        "moves": store.channel_moves(wanted)[::-1] if any(m.channel == wanted for m in standing) else (),
        "conceded": SAYS,
        "bundles": [line for line in lines.values() if line.kept and line.withdrawn is None],
        "concessions": [(name, SAYS.get(name, name), name in fields) for name in CONCESSIONS],
        "fault": fault,
        "gates": gates,
    }
    return sheet(request, "release.html", facts, status=200 if fault is None else 422)


async def move(request: Request, store: StoreOf, actor: ActorOf) -> Response:
    """Point a channel at a bundle that the store keeps and that passes the gates."""
    fields = await fields_of(request)
    return await run_in_threadpool(_moved, request, store, actor.name, fields)


def _moved(request: Request, store: Store, author: str, fields: Mapping[str, str]) -> Response:
    gates: tuple[Gate, ...] = ()
    try:
        follows = given(fields, "follows")
        wish = Wish(
            given(fields, "channel"),
            author,
            given(fields, "reason"),
            tuple(name for name in CONCESSIONS if name in fields),
            None if follows == NEW else follows,
        )
        bundle = store.bundle(given(fields, "bundle")).bundle_sha256  # never a path on the server
        if not JUDGING.acquire(timeout=WAIT_S):
            raise busy()
        try:
            move_channel(store, bundle, wish)
        finally:
            JUDGING.release()
    except (InputError, NotFoundError) as error:
        if isinstance(error, GatesShutError):
            gates = error.judgement.gates
        return _sheet(request, store, fields, fault_of("move", error, fields, "bundle"), gates)
    return see_other(f"/release?channel={wish.channel}&done=moved")
