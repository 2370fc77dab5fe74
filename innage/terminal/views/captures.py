"""What is said of live captures: those that are open, and the session that one becomes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dataset.words import counted
from innage.jobs.sessions.session_facts import labelled, session_facts
from innage.terminal.output import emit, say, table
from innage.terminal.views.logged import say_warnings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.live.capture import Capture
    from dataset.records import Session
    from dataset.store.open_captures import OpenCapture


def capture_facts(capture: OpenCapture) -> dict[str, Any]:
    """An open capture's facts, ready for JSON."""
    from dataset.live.entries import entered_marks

    return {
        "name": capture.name,
        "unit": capture.unit.name,
        "liquid": capture.liquid.name,
        "mounting": capture.mounting.name,
        "frames": capture.frames,
        "marks": len(entered_marks(capture.entries, capture.frames)),
    }


def show_captures(captures: Sequence[OpenCapture], json: bool) -> None:
    """The captures that are open."""
    facts = [capture_facts(capture) for capture in captures]
    if json:
        emit(facts)
    elif facts:
        columns = ("capture", "unit", "liquid", "mounting", "frames", "marks")
        table("open captures", columns, [tuple(fact.values()) for fact in facts])
    else:
        say(
            "no capture is open: try 'innage capture --port PORT --name NAME --tank TANK --sensor SENSOR "
            "--liquid LIQUID --unit UNIT'"
        )


def kept_text(name: str, capture: Capture) -> str:
    """That a capture is kept open, and what may be done with it."""
    return (
        f"capture {name} is kept open with {counted(capture.committed, 'frame')} and "
        f"{counted(len(capture.marks()), 'mark')}: "
        f"go on with 'innage capture --resume {name} --port ...', seal it with 'innage capture seal {name}', "
        f"or drop it with 'innage capture discard {name}'"
    )


def show_sealed(session: Session, json: bool) -> None:
    """The session that a capture became, and what the import checks noticed."""
    if json:
        emit(session_facts(session))
        return
    levels = sorted({mark.level_mm for mark in session.marks})
    at = (
        f" at {counted(len(levels), 'level')} from {levels[0]:.4g} to {levels[-1]:.4g} mm"
        if levels
        else "; 'innage mark' gives it levels"
    )
    say(
        f"session {session.id} from capture {session.source.file}: {counted(session.frames, 'frame')}, "
        f"{labelled(session)} labelled{at}"
    )
    say_warnings(session)
