"""The entries of a manifest on streams that were taken of sessions, and how they must fit its other ones."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dataset.words import GroupBy, Role
from export.evidence.excerpts import Excerpt

# What of a session names its group; levels and bands of temperature are of its marks, which no manifest has.
_NAMES = {
    GroupBy.SESSION: "id",
    GroupBy.UNIT: "unit",
    GroupBy.LIQUID: "liquid",
    GroupBy.TANK: "tank",
    GroupBy.BENCH: "group",
}


def excerpts_in(body: Mapping[str, Any]) -> tuple[Excerpt, ...]:
    """Where the last streams of the vectors were taken, as a manifest in its form says."""
    return tuple(
        Excerpt(entry["session"], entry["first"], entry["frames"], tuple(entry["trims"]))
        for entry in body["vectors"].get("excerpts", ())
    )


def misplaced(body: Mapping[str, Any]) -> bool:
    """Whether some stream cannot be of the session that it is said to be of: none that the model was made
    from, a void one, one of a 'prove' group, too short a one, or with trims of another unit; or there are any
    though all are said to be made.
    """
    sessions = {session["sha256"]: session for session in body["sessions"]}
    trims = {trim["sha256"]: trim for trim in body["trims"]}
    excerpts = excerpts_in(body)
    return bool(excerpts and body["vectors"].get("made_only", True)) or not all(
        e.session in sessions and _fits(e, sessions[e.session], trims, body["frozen_set"]) for e in excerpts
    )


def _fits(
    excerpt: Excerpt, session: Mapping[str, Any], trims: Mapping[str, Any], frozen: Mapping[str, Any]
) -> bool:
    name = _NAMES.get(frozen["group_by"])
    role = None if name is None else frozen["roles"].get(session.get("group", session.get(name)), Role.PROVE)
    place = (session["unit"], session["mounting"])
    return (
        session["void"] is None
        and role != Role.PROVE
        and excerpt.first + excerpt.frames <= session["frames"]
        and all(t in trims and (trims[t]["unit"], trims[t]["mounting"]) == place for t in excerpt.trims)
    )
