"""What is told of a capture session: its facts, ready for JSON, its marks and the counts under them."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.records import (
        Frames,
        Mark,
        Restatement,
        Session,
        SessionAmendment,
        Stretch,
        TagEvent,
        VoidEvent,
    )


def labelled(session: Session) -> int:
    """How many frames have a known level."""
    return sum(m.stop - m.start for m in session.marks)


def session_facts(session: Session) -> dict[str, Any]:
    """A session's facts without its marks, ready for JSON."""
    mounting = session.mounting
    return {
        "id": session.id,
        "sha256": session.sha256,
        "unit": session.unit.name,
        "liquid": session.liquid.name,
        "mounting": mounting.name,
        "tank": mounting.tank.ref,
        "sensor": mounting.sensor.ref,
        "frames": session.frames,
        "simulated": session.simulated,
        "labelled": labelled(session),
        "levels": len({m.level_mm for m in session.marks}),
        "file": session.source.file,
        "file_sha256": session.source.sha256,
        "note": session.note,
        "mark_revision": session.mark_revision,
        "amendment": session.amendment,
        "amended_apart": list(session.amended_apart),
        "void_reason": session.void_reason,
        **asdict(session.occasion),
        "tags": list(session.tags),
        "instruments": list(session.instruments),
        "warnings": [asdict(w) for w in session.warnings],
    }


def void_facts(events: Sequence[VoidEvent]) -> list[dict[str, Any]]:
    """When a session was voided and taken back, ready for JSON."""
    return [asdict(event) for event in events]


def tag_facts(events: Sequence[TagEvent]) -> list[dict[str, Any]]:
    """Which tags of a session came and went, ready for JSON."""
    return [asdict(event) for event in events]


def amendment_facts(amendments: Sequence[SessionAmendment]) -> list[dict[str, Any]]:
    """What a session says since it was sealed, ready for JSON: of each amendment what it states."""
    return [
        {
            "sha256": amendment.sha256,
            "parents": list(amendment.parents),
            "author": amendment.author,
            "reason": amendment.reason,
            "stated": stated_facts(amendment.stated),
        }
        for amendment in amendments
    ]


def stated_facts(stated: Restatement) -> dict[str, Any]:
    """What is stated of a session anew, ready for JSON; what is not stated is left out."""
    places = {"unit": stated.unit, "liquid": stated.liquid, "mounting": stated.mounting}
    facts: dict[str, Any] = {what: place.name for what, place in places.items() if place is not None}
    if stated.stretches is not None:
        facts["conditions"] = [stretch_facts(stretch) for stretch in stated.stretches]
    return facts | {what: fact for what, fact in asdict(stated.occasion).items() if fact is not None}


def stated_text(stated: Restatement) -> str:
    """What is stated of a session anew, in a line; 'as sealed' where that is nothing."""
    from dataset.labels.conditions import conditions_text

    facts = stated_facts(stated)
    if stated.stretches is not None:
        frames_of: dict[str, list[str]] = {}  # conditions that come again are said once
        for stretch in stated.stretches:
            frames_of.setdefault(conditions_text(stretch.conditions), []).append(
                f"{stretch.start}-{stretch.stop - 1}"
            )
        parts = [f"{', '.join(frames)} {conditions}" for conditions, frames in frames_of.items()]
        facts["conditions"] = "; ".join(parts) or "none stated"
    return ", ".join(f"{what} {fact}" for what, fact in facts.items()) or "as sealed"


def mark_summary(mark: Mark, frames: Frames) -> dict[str, Any]:
    """A mark and, for each channel, the mean, standard deviation, least and greatest count under it."""
    under = frames.counts[mark.start : mark.stop]
    counts = [
        {"mean": float(c.mean()), "sd": float(c.std()), "min": int(c.min()), "max": int(c.max())}
        for c in under.T
    ]
    return asdict(mark) | {"counts": counts}


def level_text(mark: Mark) -> str:
    """A mark's level, or both ends of a ramp, and where it came from. The last digit is the second one of its
    uncertainty (JCGM 100:2008, 7.2.6); without one there are six digits at most.
    """
    u_mm = mark.u_mm or mark.u_common_mm
    places = 6 if not u_mm else min(max(1 - math.floor(math.log10(u_mm)), 0), 6)
    first, *last = (
        f"{round(level, places):.6g}" for level in (mark.level_mm, mark.level_stop_mm) if level is not None
    )
    return " to ".join((first, *last)) + (f" ({mark.method})" if mark.method else "")


def u_shown(u_mm: float | None) -> float | None:
    """An uncertainty in mm as it is shown: two digits (JCGM 100:2008, 7.2.6)."""
    return None if u_mm is None else float(f"{u_mm:.2g}")


def stretch_facts(stretch: Stretch) -> dict[str, Any]:
    """A stretch and the conditions of its frames, ready for JSON."""
    from dataset.canonical import conditions_content

    return {"start": stretch.start, "stop": stretch.stop} | conditions_content(stretch.conditions)
