"""Verification of a bundle: its parts against one another, and its figures against a store."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataset.store import Store
    from export.bundle.checks import Known
    from export.bundle.manifest import Manifest
    from export.bundle.scoring import Score
    from export.bundle.verify import VerifyReport


@dataclass(frozen=True)
class BoardPort:
    """Where a board is: a serial port with its speed, or an address such as ``socket://HOST:PORT``."""

    name: str
    baud: int = 115200


def verify_bundle(
    bundle: Path | str,
    store: Store | None = None,
    *,
    every_core: bool = False,
    port: BoardPort | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> VerifyReport:
    """Verify a bundle as ``innage verify`` does. Nothing of the bundle is run: C, and what runs it, are made
    anew.

    Args:
        bundle: its folder or its zip file.
        store: an open store that has the model or sessions of it: figures, limits, sources, and what vectors
            hold of sessions, are compared with it. Without one they are shown as stated.
        every_core: run the C on every core that innage knows, not only on that of the budget.
        port: where a board is that runs the model too.
        progress: called with (what, done, total).

    Raises:
        InputError: there is no bundle to read, or the port cannot be opened.
    """
    from dataset.live.board import SerialSource
    from export.bundle.build import silent
    from export.bundle.checks_board import BoardChecks
    from export.bundle.verify import CHECKS, ON_REQUEST
    from export.bundle.verify import verify_bundle as verify
    from innage.jobs.models.vector_sources import held_in

    only, shown = {*CHECKS, *ON_REQUEST} if every_core else None, progress or silent
    line = None if port is None else SerialSource(port.name, port.baud)
    board = None if line is None else BoardChecks(line, progress=shown)
    try:
        if store is None:
            return verify(bundle, only, shown, board=board)
        return verify(
            bundle,
            only,
            shown,
            lambda manifest: recorded_in(store, manifest),
            lambda manifest: held_in(store, manifest),
            board,
        )
    finally:
        if line is not None:
            line.close()


def score_bundle(bundle: Path | str, *, progress: Callable[[str, int, int], None] | None = None) -> Score:
    """Score the evidence of a bundle that was verified, as ``innage verify --score`` does: single breaks of
    its program, single bits of its code, and which of them its vectors and its self-test notice. It takes
    minutes.

    Args:
        bundle: its folder or its zip file.
        progress: called with (what, done, total).

    Raises:
        InputError: there is no bundle to read, or its C is not what is made of its program.
    """
    from export.bundle.build import silent
    from export.bundle.checks import Bundle
    from export.bundle.checks_score import score_bundle as score
    from export.bundle.scoring import WHOLE
    from export.bundle.verify import read_bundle

    return score(Bundle(read_bundle(Path(bundle))), WHOLE, progress or silent)


def recorded_in(store: Store, manifest: Manifest) -> Known | None:
    """What the store has on a manifest's model; None when it has none such.

    Of sessions that were voided after the export the manifest cannot know; one that it calls void must be.
    """
    import json
    from dataclasses import asdict

    from export.bundle.checks import Known
    from export.bundle.manifest import model_facts
    from training.program import from_json

    having = [model for model in store.models() if model.sha256 == manifest.model_sha256]
    if not having:
        return None
    named = manifest.body["model"]["name"]
    model = next((m for m in having if m.name == named), having[0])
    program = from_json(model.program, f"model '{model.name}'")
    voided = {session.id: session.void_reason for session in store.sessions()}
    facts = model_facts(program, model, None, None, {k: v for k, v in voided.items() if v is not None})
    stated = {session["id"]: session["void"] for session in manifest.body["sessions"]}
    for session in facts["sessions"]:
        if stated.get(session["id"]) is None:
            session["void"] = None
    known = {name: facts[name] for name in _OF_THE_MODEL}
    allowed = {budget.name: budget for budget in store.budgets()}.get(manifest.body["budget"]["name"])
    if allowed is not None:
        known["budget"] = asdict(allowed)
    return Known(json.loads(json.dumps(known)), model.float_onnx)


_OF_THE_MODEL = (
    "origin",
    "model",
    "frozen_set",
    "sessions",
    "trims",
    "limits",
    "recipe",
    "libraries",
    "metrics",
)
