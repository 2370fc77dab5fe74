"""Verification of a bundle: its parts against one another, and its figures against a store."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataset.records import Model
    from dataset.store import Store
    from export.bundle.checks import Known
    from export.bundle.manifest import Manifest
    from export.bundle.scoring import Score
    from export.bundle.verify import VerifyReport


@dataclass(frozen=True)
class BoardPort:
    """Where a board is: a serial port with its speed, or an address such as ``socket://HOST:PORT``.

    ``board`` is what its user calls it, which is kept with what it measures.
    """

    name: str
    baud: int = 115200
    board: str = ""


def verify_bundle(
    bundle: Path | str,
    store: Store | None = None,
    *,
    every_core: bool = False,
    port: BoardPort | None = None,
    signed_by: Path | str | None = None,
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
        signed_by: the file of a public key by which the bundle has to be signed.
        progress: called with (what, done, total).

    Raises:
        InputError: there is no bundle to read, no such key, or the port cannot be opened.
    """
    from dataset.live.board import SerialSource
    from dataset.store.results.board_measurements import check_board_text
    from export.bundle.build import silent
    from export.bundle.checking.board import BoardChecks
    from export.bundle.verify import CHECKS, ON_REQUEST, read_bundle, verify_files
    from innage.jobs.models.vector_sources import held_in
    from innage.jobs.releasing.signing import check_signature

    only, shown = {*CHECKS, *ON_REQUEST} if every_core else None, progress or silent
    if port is not None:
        check_board_text("board", port.board, "board")
    files = read_bundle(Path(bundle))
    signature = check_signature(files, signed_by)
    line = None if port is None else SerialSource(port.name, port.baud)
    board = None if line is None else BoardChecks(line, progress=shown)
    try:
        report = verify_files(
            files,
            only,
            shown,
            None if store is None else lambda manifest: recorded_in(store, manifest),
            None if store is None else lambda manifest: held_in(store, manifest),
            board,
        )
    finally:
        if line is not None:
            line.close()
    return report if signature is None else replace(report, checks=(*report.checks, signature))


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
    from export.bundle.checking.score import score_bundle as score
    from export.bundle.checks import Bundle
    from export.bundle.scoring import WHOLE
    from export.bundle.verify import read_bundle

    return score(Bundle(read_bundle(Path(bundle))), WHOLE, progress or silent)


def record_measured(store: Store, bundle: Path | str, report: VerifyReport, board: str) -> str | None:
    """Record what a board measured under ``board``, what its user calls it; gives the model's name there.

    None where nothing was measured, the bundle itself is not in order, or the store lacks the model.
    """
    from dataset.records import BoardMeasurement
    from export.bundle.checking.board import NAMES
    from export.bundle.manifest import MANIFEST, read_manifest
    from export.bundle.verify import Answer, read_bundle

    measured = report.on_board
    if measured is None or any(check.name not in NAMES for check in report.having(Answer.FAILED)):
        return None
    manifest = read_manifest(read_bundle(Path(bundle))[MANIFEST])
    model = model_in(store, manifest)
    if model is None:
        return None
    store.add_board_measurement(
        BoardMeasurement(
            model.name,
            manifest.bundle_sha256,
            board,
            measured.name,
            measured.compiler,
            measured.built,
            measured.clock_hz,
            measured.vectors,
            measured.cycles,
            measured.cycles_mean,
            measured.prepare_cycles,
            measured.stack,
        )
    )
    return model.name


def recorded_in(store: Store, manifest: Manifest) -> Known | None:
    """What the store has on a manifest's model; None when it has none such.

    Of sessions that were voided after the export the manifest cannot know; one that it calls void must be.
    """
    import json
    from dataclasses import asdict

    from export.bundle.checks import Known
    from export.bundle.manifest import model_facts
    from training.program import from_json

    model = model_in(store, manifest)
    if model is None:
        return None
    program = from_json(model.program, f"model '{model.name}'")
    voided = {session.id: session.void_reason for session in store.sessions()}
    facts = model_facts(program, model, None, None, {k: v for k, v in voided.items() if v is not None})
    stated = {session["id"]: session["void"] for session in manifest.body["sessions"]}
    for session in facts["sessions"]:
        if stated.get(session["id"]) is None:
            session["void"] = None
    known = {name: facts[name] for name in _OF_THE_MODEL}
    if (spans := "uneven_spans_mm") in manifest.body:  # earlier exports state none
        known[spans] = facts.get(spans, {})
    allowed = {budget.name: budget for budget in store.budgets()}.get(manifest.body["budget"]["name"])
    if allowed is not None:
        known["budget"] = asdict(allowed)
    return Known(json.loads(json.dumps(known)), model.float_onnx)


def model_in(store: Store, manifest: Manifest) -> Model | None:
    """The model of a manifest's program in the store, the one of its name where there are several."""
    having = [model for model in store.models() if model.sha256 == manifest.model_sha256]
    named = [model for model in having if model.name == manifest.body["model"]["name"]]
    return next(iter(named or having), None)


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
