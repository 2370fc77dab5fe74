"""Models as lists show them, kept by whoever asks again: a model never changes, so only new ones are read."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dataset.values import natural
from training.search.metrics import Metrics, read_metrics

if TYPE_CHECKING:
    from dataset.records import Model, StatusEvent
    from dataset.store import Store


@dataclass(frozen=True)
class ModelLine:
    """A model without its program: ``digest`` covers all of it, ``sessions`` are the ids of those that its
    frozen set holds, which is named ``frozen`` and has the hash ``frozen_sha256``.
    """

    name: str
    sha256: str
    digest: str
    frozen: str
    frozen_sha256: str
    origin: str
    limits: str | None
    date: str | None
    parent: str | None
    metrics: Metrics
    sessions: frozenset[str]


@dataclass(frozen=True)
class ModelLines:
    """Every model, as people count, and what each is said to be, where somebody said."""

    of_name: Mapping[str, ModelLine]
    statuses: Mapping[str, StatusEvent]

    def __len__(self) -> int:
        return len(self.of_name)


def read_lines(store: Store, before: ModelLines | None = None) -> ModelLines:
    """All of them; where ``before`` is what this gave earlier, only those are read that came since."""
    digests = store.model_digests()
    known = {} if before is None else before.of_name
    lines = {
        name: known[name]
        for name, digest in digests.items()
        if name in known and known[name].digest == digest
    }
    new = [name for name in digests if name not in lines]
    models = [store.model(name) for name in new] if known else store.page_of_models(limit=1 << 31).items
    lines |= {model.name: _line(model, digests[model.name]) for model in models if model.name in digests}
    return ModelLines({name: lines[name] for name in sorted(lines, key=natural)}, store.statuses())


def _line(model: Model, digest: str) -> ModelLine:
    return ModelLine(
        model.name,
        model.sha256,
        digest,
        model.frozen.name,
        model.frozen.sha256,
        model.frozen.origin,
        None if model.limits is None else model.limits.ref,
        model.date,
        model.parent,
        read_metrics(json.loads(model.metrics)),
        frozenset(session.id for session in model.frozen.sessions),
    )
