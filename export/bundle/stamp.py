"""What a bundle's identity says of its export: it follows from the rest of the manifest, so that nobody can
state one thing there and another in the firmware.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from dataset.canonical import limits_sha256
from dataset.records import Limit, Limits
from dataset.words import LimitAnswer
from export.c.extras import Extras
from export.c.fragments import SIZE
from export.core.cost_words import cost_sentences
from export.identity import GATE_BITS, Stamp


def stamp_of(body: Mapping[str, Any]) -> Stamp:
    """The stamp of a manifest's body; one of a format that has no counts of visits leaves none unvisited."""
    visited = body["vectors"].get("visited")
    answers = body["metrics"].get("limits")
    holds = {
        "not_met": isinstance(answers, list)
        and any(isinstance(row, dict) and row.get("answer") == LimitAnswer.NOT_MET for row in answers),
        "unproven": bool(body.get("unproven")),
        "void": any(session["void"] is not None for session in body["sessions"]),
        "unvisited": bool(visited and visited["decisions"]["unvisited"]),
        "simulated": body["origin"] != "measured",
    }
    limits = body["limits"]
    return Stamp(
        tuple(name for name in GATE_BITS if holds[name]),
        "" if limits is None else limits_sha256(_limits(limits)),
    )


def extras_of(body: Mapping[str, Any]) -> Extras:
    """What a manifest says that the export asked of the C besides."""
    form, cost = body["c"], body["cost"]
    asked = Extras(fast_crc=form.get("fast_crc", False), memory_check=form.get("memory_check", False))
    if cost is None or "uses" not in cost:
        return asked
    asked = replace(asked, uses=tuple(cost["uses"]), costs=cost_sentences(cost))
    if not cost["slice_bytes"]:
        return asked
    return replace(asked, slice_bytes=cost["slice_bytes"], slice_known=cost["slice_known"])


def optimise_of(body: Mapping[str, Any]) -> str:
    """For size or for speed, as it was measured."""
    return SIZE if body["cost"] is None else str(body["cost"]["optimise"])


def _limits(stated: Mapping[str, Any]) -> Limits:
    rows = tuple(Limit(**row) for row in stated["rows"])
    return Limits(stated["name"], stated["revision"], rows, note=stated["note"], signer=stated["signer"])
