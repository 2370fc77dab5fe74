"""The bundles: a line each, and the certificate of one, with what is said of it at a desk."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import FastAPI, Path, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from dataset.errors import InputError, NotFoundError
from dataset.records import ID_DIGITS
from dataset.store.results.bundles import LEAST_DIGITS
from innage.jobs.releasing.facts import bundle_facts, move_facts
from innage.jobs.releasing.gates import AMENDED, ANYWAY, RETIRED, UNPROVEN, VOID
from innage.jobs.releasing.pulling import BundleNow
from innage.service.door import ActorOf, DoorOf, StoreOf
from innage.service.pages.paper.forms import Fault, fields_of, given
from innage.service.pages.paper.frame import PAGE, see_other, sheet
from innage.service.pages.paper.kept import KeptOf
from innage.service.pages.paper.tables import Form, json_file, rows_file
from innage.service.pages.paper.words import said

if TYPE_CHECKING:
    from collections.abc import Callable

    from dataset.store import Store
    from innage.service.pages.paper.kept import Kept

BundlePath = Annotated[str, Path(pattern=rf"^[0-9a-f]{{{LEAST_DIGITS},64}}$")]
# The gates by name, what each asks, and the concession that opens it all the same.
GATES = (
    (
        ("manifest", "files"),
        "Every file is the one that the manifest names, and the manifest its own hash",
        None,
    ),
    (("program",), "The program is the one that model and hashes name", None),
    (
        ("made again",),
        "C, header, ONNX, build files, vectors and report were made again: the same bytes",
        None,
    ),
    (("vectors",), "The interpreter gives every number of the vectors", None),
    (("sources",), "Streams of sessions are what the store's sessions have there", None),
    (("score",), "The vectors notice the breaks that the manifest says they notice", None),
    (("figures",), "Figures, limits and recipe are those of the store's model", None),
    (("limits",), "No limit is not met, answered anew from the readings", ANYWAY),
    (("evidence", "budget"), "Evidence for every limit and decision; within its budget", UNPROVEN),
    (("void sessions",), "No session behind it is void", VOID),
    (("amended sessions",), "No session behind it was amended since it was frozen", AMENDED),
    (("status",), "The model is not retired", RETIRED),
)
COLUMNS = ("bundle_sha256", "model", "files", "kept", "signatures", "withdrawn", "channels")
FILES = ("name", "size", "sha256")


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/bundles", listed, methods=["GET"], **PAGE)
    app.add_api_route("/bundles.{form}", table, methods=["GET"], **PAGE)
    app.add_api_route("/bundles/{sha256}.json", as_json, methods=["GET"], **PAGE)
    app.add_api_route("/bundles/{sha256}", certificate, methods=["GET"], **PAGE)
    app.add_api_route("/bundles/{sha256}/files.{form}", files, methods=["GET"], **PAGE)
    app.add_api_route("/bundles/{sha256}/withdraw", withdraw, methods=["POST"], **PAGE)
    app.add_api_route("/bundles/{sha256}/take-back", take_back, methods=["POST"], **PAGE)


def listed(request: Request, door: DoorOf) -> Response:
    """All of them, by model."""
    rows = sorted(_rows(door.store), key=lambda row: (row["model"], row["bundle_sha256"]))
    return sheet(request, "bundles.html", {"rows": rows})


def table(request: Request, door: DoorOf, form: Form) -> Response:
    """All of them."""
    return rows_file(request, "bundles", form, _rows(door.store), COLUMNS)


def certificate(request: Request, door: DoorOf, kept: KeptOf, sha256: BundlePath) -> Response:
    """What it is, what it passed, and how anybody verifies it."""
    return certificate_sheet(request, door.store, kept, sha256)


def certificate_sheet(
    request: Request, store: Store, kept: Kept, sha256: str, fault: Fault | None = None
) -> Response:
    """The certificate, with what was wrong with a form on it."""
    known = store.bundle(sha256)
    model = kept.model(known.model)
    now = BundleNow(known, *kept.void_and_amended(model))
    moves = store.moves_to(known.bundle_sha256)
    facts = {
        "now": now,
        "known": known,
        "id": known.bundle_sha256[:ID_DIGITS],
        "model": model,
        "moves": moves,
        "gates": [] if not moves else _gates(moves[-1].concessions),
        "pointing": [one.channel for one in store.channels() if one.bundle_sha256 == known.bundle_sha256],
        "events": store.withdrawals(known.bundle_sha256),
        "fault": fault,
    }
    return sheet(request, "bundle.html", facts, status=200 if fault is None else 422)


def as_json(request: Request, door: DoorOf, kept: KeptOf, sha256: BundlePath) -> Response:
    """What the certificate says, as ``GET /v1/bundles/...`` has it, with its moves."""
    store = door.store
    known = store.bundle(sha256)
    now = BundleNow(known, *kept.void_and_amended(kept.model(known.model)))
    moves = [move_facts(move) for move in store.moves_to(known.bundle_sha256)]
    return json_file(request, bundle_facts(now) | {"moves": moves})


def files(request: Request, door: DoorOf, sha256: BundlePath, form: Form) -> Response:
    """Its files, by name."""
    known = door.store.bundle(sha256)
    rows = [asdict(file) for file in known.files]
    return rows_file(request, f"bundle-{known.bundle_sha256[:ID_DIGITS]}-files", form, rows, FILES)


async def withdraw(
    request: Request, store: StoreOf, actor: ActorOf, kept: KeptOf, sha256: BundlePath
) -> Response:
    """Say that it must not be used, and why. It stays, and so do channels."""

    def act(reason: str) -> str:
        store.withdraw(sha256, actor.name, reason, datetime.now(UTC))
        return "withdrawn"

    return await _done(request, store, kept, sha256, ("withdraw", act))


async def take_back(
    request: Request, store: StoreOf, actor: ActorOf, kept: KeptOf, sha256: BundlePath
) -> Response:
    """Say that a withdrawn bundle can be used after all, and why."""

    def act(reason: str) -> str:
        store.take_back_withdrawal(sha256, actor.name, reason, datetime.now(UTC))
        return "taken-back"

    return await _done(request, store, kept, sha256, ("take-back", act))


async def _done(
    request: Request, store: Store, kept: Kept, sha256: str, form: tuple[str, Callable[[str], str]]
) -> Response:
    """Do it and go on to the certificate; a fault of the form stands there, with what was filled in."""
    name, act = form
    fields = await fields_of(request)
    try:
        done = await run_in_threadpool(act, given(fields, "reason"))
    except NotFoundError:
        raise
    except InputError as error:
        fault = Fault(name, said(error), "reason", fields)
        return await run_in_threadpool(certificate_sheet, request, store, kept, sha256, fault)
    return see_other(f"/bundles/{sha256}?done={done}")


def _rows(store: Store) -> list[dict[str, Any]]:
    pointing: dict[str, list[str]] = {}
    for move in store.channels():
        pointing.setdefault(move.bundle_sha256, []).append(move.channel)
    return [
        {name: getattr(line, name) for name in COLUMNS[:-1]}
        | {"channels": pointing.get(line.bundle_sha256, [])}
        for line in store.bundle_lines()
    ]


def _gates(concessions: tuple[str, ...]) -> list[tuple[str, str, bool]]:
    """Each gate, what it asks, and whether it was opened by a concession at the move; evidence and budget
    have one in common, so that they stand together.
    """
    return [(", ".join(names), asks, word in concessions) for names, asks, word in GATES]
