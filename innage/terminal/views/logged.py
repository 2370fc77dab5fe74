"""What is said of sessions in lists, and as they are logged from files."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from dataset.words import counted
from innage.terminal.output import emit, say

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dataset.admission.session_files import ParsedFile
    from dataset.records import Session
    from dataset.store.listing import SessionLine
    from innage.jobs.batch.sessions import LoggedLine


def show_logged(
    sessions: Sequence[Session], files: Sequence[ParsedFile], mapping: str | None, json: bool
) -> None:
    """Each session with its file and what the import checks noticed; ``mapping`` was saved."""
    if json:
        emit([_facts(session, file) for session, file in zip(sessions, files, strict=True)])
        return
    for session, file in zip(sessions, files, strict=True):
        say(_sentence(session, file))
        say_warnings(session)
    if mapping:
        say(f"mapping {mapping} saved")
    if len(sessions) > 1:
        say(
            f"{counted(len(sessions), 'session')} logged, "
            f"{counted(sum(session.frames for session in sessions), 'frame')}"
        )


def show_batch(batch: Path, lines: Sequence[LoggedLine], json: bool) -> None:
    """The sessions of a batch's lines, those that were known already by number, and how many in all."""
    if json:
        emit([_facts(x.session, x.file) | {"line": x.line, "known": x.known} for x in lines])
        return
    new = [line for line in lines if not line.known]
    for line in new:
        say(_sentence(line.session, line.file))
        say_warnings(line.session)
    void = [line for line in lines if line.known and line.session.void_reason is not None]
    for line in void:
        say(f"line {line.line}: session {line.session.id} is void ('{line.session.void_reason}')")
    known = len(lines) - len(new)
    skipped = f", {known} in the store already with the same statements" if known else ""
    warned = sum(bool(line.session.warnings) for line in new)
    of_them = f", {warned} with warnings" if warned else ""
    say(f"{batch.name}: {counted(len(new), 'session')} logged{of_them}{skipped}")


def _facts(session: Session, file: ParsedFile) -> dict[str, Any]:
    """What was logged, ready for JSON."""
    from dataset.files.delimited import DELIMITERS

    return {
        "id": session.id,
        "sha256": session.sha256,
        "file": session.source.file,
        "frames": session.frames,
        "labelled": file.labelled,
        "levels": len({mark.level_mm for mark in session.marks}),
        "marks": len(session.marks),
        "gaps": file.gaps,
        "median_period_ms": file.median_period_ms,
        "delimiter": DELIMITERS.get(file.delimiter, file.delimiter),
        "unused": list(file.unused),
        "line": None,
        "known": False,
        "warnings": [asdict(warning) for warning in session.warnings],
    }


def _sentence(session: Session, file: ParsedFile) -> str:
    facts = _facts(session, file)
    text = (
        f"session {session.id} from {facts['file']} ({facts['delimiter']}): {facts['frames']} "
        f"frames, {facts['labelled']} labelled"
    )
    if session.marks:
        levels = [mark.level_mm for mark in session.marks]
        # the range is what shows a wrong unit
        return f"{text} at {counted(facts['levels'], 'level')} from {min(levels):.4g} to {max(levels):.4g} mm"
    return f"{text}; levels come from a column (--level, --mass or --poured) or afterwards from 'innage mark'"


def say_warnings(session: Session) -> None:
    """What the import checks found, a line each."""
    for warning in session.warnings:
        say(f"  warning, {warning.check}: {warning.sentence}")


def begun(line: SessionLine) -> str:
    """When a session began, to the minute; nothing where it says nothing."""
    return "" if line.started is None else line.started[:16].replace("T", " ")


def remarks(line: SessionLine, *, all_simulated: bool) -> str:
    """What else a list says of a session: tags, amendments, warnings, why it is void."""
    words = ["simulated"] if line.simulated and not all_simulated else []
    words += [f"tag{'s' if len(line.tags) > 1 else ''}: {', '.join(line.tags)}"] if line.tags else []
    if line.amendments:
        words.append(
            "amended" if line.amendments == 1 else f"amended {line.amendments} ways: which is right?"
        )
    words += [f"{line.warnings} warning{'s' if line.warnings > 1 else ''}"] if line.warnings else []
    return ", ".join([*words, f"void: {line.void_reason}"] if line.void_reason is not None else words)
