"""The report's section on what the vectors visit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from html import escape
from typing import Any

from export.report.html import counted, folded, html_table, number, part, unbroken


def visits_section(facts: Mapping[str, Any]) -> list[str]:
    """Frames by branch, decisions, and inner sides; nothing for a model that was not exported."""
    visited = part(part(facts, "vectors"), "visited")
    if not visited:
        return []
    rows = [(escape(branch["says"]), str(branch["frames"])) for branch in visited["branches"]]
    decisions, inner = visited["decisions"], visited["inner"]
    sentences = (
        f"The {visited['frames']} vectors visit {decisions['visited']} of {decisions['sides']} sides of "
        f"decisions{_missed(decisions)}. Of the {inner['sides']} sides of inner clips, rows and leaves that "
        f"the ranges allow they visit {inner['visited']}{_floor(inner)}{_missed(inner)}."
    )
    return [
        "<h2>What the vectors visit</h2>",
        html_table(("What a reading says", "Frames"), rows),
        f"<p>{sentences}</p>",
        *_origins(facts),
    ]


def _origins(facts: Mapping[str, Any]) -> list[str]:
    """Which vectors are taken of sessions."""
    vectors, sessions = facts["vectors"], {session["sha256"]: session for session in facts["sessions"]}
    excerpts = vectors["excerpts"]
    if not excerpts:
        why = "as the export was told to" if vectors["made_only"] else "since no session had frames for it"
        said = f"All vectors are made from the program alone, {why}: no reading of a session is among them."
        return [f"<p>{said}</p>"]
    streams, frames = Counter(excerpt["session"] for excerpt in excerpts), excerpts[0]["frames"]
    rows = [
        (
            unbroken(f"<code>{escape(session['id'])}</code>"),
            escape(session["unit"]),
            escape(session["liquid"]),
            str(streams[sha256]),
            str(streams[sha256] * frames),
        )
        for sha256, session in sorted(sessions.items(), key=lambda item: item[1]["id"])
        if sha256 in streams
    ]
    table = html_table(("Session", "Unit", "Liquid", "Streams", "Rows"), rows, left=(0, 1, 2))
    rest = vectors["visited"]["frames"] - len(excerpts) * frames
    of_sessions = number(len(excerpts) * frames)
    said = (
        f"Of the vectors {of_sessions} in {counted(len(excerpts), 'stream')} are counts of "
        f"{counted(len(rows), 'session')} behind the model, with their units' trims: none of a void session, "
        f"and no frame of a group for 'prove'. The other {number(rest)} are made from the program alone."
    )
    return [f"<p>{said}</p>", folded("Sessions that vectors are taken of", table)]


def _floor(inner: Mapping[str, Any]) -> str:
    return f", below the floor of {100 * inner['floor']:g} %" if inner["below_floor"] else ""


def _missed(sides: Mapping[str, Any]) -> str:
    """The sides that no vector visits."""
    names = ", ".join(f"<code>{escape(name)}</code>" for name in sides["unvisited"])
    return f"; not visited: {names}" if names else ""
