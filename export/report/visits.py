"""The report's section on what the vectors visit."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from export.report.html import html_table, part


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
        f"the ranges allow they visit {inner['visited']}{_missed(inner)}. All of them are made from the "
        "program alone; no reading of a session is among them."
    )
    return [
        "<h2>What the vectors visit</h2>",
        html_table(("What a reading says", "Frames"), rows),
        f"<p>{sentences}</p>",
    ]


def _missed(sides: Mapping[str, Any]) -> str:
    """The sides that no vector visits."""
    names = ", ".join(f"<code>{escape(name)}</code>" for name in sides["unvisited"])
    return f"; not visited: {names}" if names else ""
