"""What comes of sessions, many of each, for the bench of pages: models and their bundles, channels and their
moves, jobs, what was audited. Only sizes and numbers of things are real: no program is run, and no export
made a bundle.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from server_filling import SET

from dataset.records import FrozenSet, GroupBy, Model, NewJob, Role, Scope
from dataset.store import Store
from dataset.store.events.channels import NewMove

FILES, FILE_BYTES, PROGRAM_BYTES, ONNX_BYTES = 14, 4096, 20_000, 20_000
LARGE = "large"
MOVES = 5  # of each channel
WHEN = datetime(2026, 3, 2, 9, 15, tzinfo=UTC)


@dataclass(frozen=True)
class Sizes:
    """How many there are of each; ``audited`` rows of the chain."""

    models: int
    bundles: int
    channels: int
    jobs: int
    audited: int


@dataclass(frozen=True)
class Filled:
    """What the pages are asked for: a frozen set, two models, a bundle, a channel, a job; whose token.
    ``large`` is a set of half of the sessions, of which a model of that name and a bundle were made.
    """

    set: str
    model: str
    other: str
    bundle: str
    channel: str
    job: str
    large: str
    large_bundle: str
    token: str


def fill_results(store: Store, sizes: Sizes, metrics: Mapping[str, Any]) -> Filled:
    """Add them to a store with a frozen set; each model has ``metrics``."""
    (frozen,) = [one for one in store.frozen_sets() if one.name == SET]
    models = [store.add_model(_model(number, frozen, json.dumps(metrics))) for number in range(sizes.models)]
    bundles = [_keep_bundle(store, model) for model in models[: sizes.bundles]]
    channels = [f"washer/{number}" for number in range(sizes.channels)]
    for number, channel in enumerate(channels):
        _move(store, channel, bundles, number)
    jobs = [
        store.queue_job(NewJob("sweep", {"model": model.name}, {"model": model.sha256}, {"innage": "0"}))
        for model in models[: sizes.jobs]
    ]
    _, token = store.add_token("desk", [Scope.READ, Scope.PULL, Scope.RUN, Scope.ADMIN])
    store.tag([line.id for line in store.page_of_session_lines(limit=sizes.audited).items], ["audited"])
    first, of_large = bundles[0][:12], _freeze_half(store, sizes.models, json.dumps(metrics))[:12]
    names = models[0].name, models[1].name
    return Filled(SET, *names, first, channels[0], jobs[0].key[:12], LARGE, of_large, token)


def _freeze_half(store: Store, number: int, metrics: str) -> str:
    """A set of the first half of all sessions, a model of it, and that one's bundle, by its hash."""
    sessions = store.sessions()
    half = [session for session in sessions[: len(sessions) // 2] if session.void_reason is None]
    roles = dict.fromkeys((session.unit.name for session in half), Role.FIT)
    frozen = store.freeze(LARGE, half, GroupBy.UNIT, roles)
    return _keep_bundle(store, store.add_model(replace(_model(number, frozen, metrics), name=LARGE)))


def _model(number: int, frozen: FrozenSet, metrics: str) -> Model:
    program = json.dumps({"format": 1, "filling": f"{number:08x}" * (PROGRAM_BYTES // 8)})
    name, onnx = f"model-{number}", number.to_bytes(4) * (ONNX_BYTES // 4)
    sha256 = hashlib.sha256(program.encode()).hexdigest()
    return Model(name, sha256, frozen, None, '{"seed":0}', '{"numpy":"2"}', metrics, program, onnx)


def _keep_bundle(store: Store, model: Model) -> str:
    identity = hashlib.sha256(model.name.encode()).hexdigest()
    files = {f"file-{k}": f"{identity}{k:08x}".encode() * (FILE_BYTES // 72) for k in range(FILES)}
    store.keep_bundle(model, identity, files, identity)
    return identity


def _move(store: Store, channel: str, bundles: list[str], first: int) -> None:
    follows = None
    for number in range(MOVES):
        bundle = bundles[(first + number) % len(bundles)]
        said, when = store.said_of(store.bundle(bundle).model), WHEN + timedelta(days=number)
        words = ("A. Owner", "judged on the bench")
        move = store.move_channel(NewMove(channel, bundle, *words, when, follows, said))
        follows = move.sha256
