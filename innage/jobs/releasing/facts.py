"""Channels, bundles and gates as JSON has them, on the command line and over a line alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataset.records import BundleLine, ChannelMove, KnownBundle
    from innage.jobs.releasing.gates import Gate, Judgement
    from innage.jobs.releasing.pulling import BundleNow


def move_facts(move: ChannelMove) -> dict[str, Any]:
    """A move of a channel."""
    return asdict(move) | {"concessions": list(move.concessions)}


def channel_facts(move: ChannelMove, bundle: KnownBundle | BundleLine) -> dict[str, Any]:
    """What a channel points at, by the move that stands."""
    return move_facts(move) | {"model": bundle.model, "withdrawn": bundle.withdrawn}


def bundle_facts(now: BundleNow) -> dict[str, Any]:
    """A bundle, and what is said of it now."""
    known = now.bundle
    return {
        "bundle_sha256": known.bundle_sha256,
        "model": known.model,
        "files": [asdict(file) for file in known.files],
        "signatures": [asdict(signature) for signature in known.signatures],
        "withdrawn": known.withdrawn,
        "void": dict(now.void),
        "amended": list(now.amended),
    }


def gates_facts(judgement: Judgement, stopping: Sequence[Gate]) -> dict[str, Any]:
    """What the gates said of a bundle, and which of them stay shut."""
    return {
        "bundle_sha256": judgement.bundle_sha256,
        "gates": [gate.facts() for gate in judgement.gates],
        "stopping": [gate.name for gate in stopping],
    }
