"""What is shown of an exchange between two stores, whichever way it went and whatever lay between them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from innage.terminal.output import say, table

if TYPE_CHECKING:
    from dataset.exchange.report import Exchanged

Spelling = Callable[[str], str]  # of a field, as a command's users know it
HERE, THERE = "here already", "there already"
_HELD_SHOWN = 20


def show_exchanged(
    title: str, report: Exchanged, spelling: Spelling, *, known: str = HERE, other: str = ""
) -> None:
    """What came in, what is to be known of it, and what was held back.

    Args:
        title: from where to where.
        report: what the exchange did.
        spelling: how errors name fields.
        known: the head of what had been there.
        other: whose the numbers are that are others in this store.
    """
    if report.taken:
        rows = [(one.kind, one.new, one.known) for one in report.taken]
        table(title, ("what", "new", known), rows)
    for revision in report.renumbered:
        say(f"{revision.what} {revision.theirs} of {other} is {revision.ours} here")
    for remark in report.remarks:
        say(remark)
    sentences = held_sentences(report, spelling)
    for sentence in sentences[:_HELD_SHOWN]:
        say(f"held back: {sentence}")
    if len(sentences) > _HELD_SHOWN:
        say(f"{len(sentences) - _HELD_SHOWN} more were held back: see all of them with --json")


def held_sentences(report: Exchanged, spelling: Spelling) -> tuple[str, ...]:
    """What is said of what was held back: once where it is said of several objects, as of a session and of
    what it stands with.
    """
    return tuple(dict.fromkeys(one.error.said_by(spelling) for one in report.held))


def exchanged_facts(report: Exchanged, spelling: Spelling) -> dict[str, Any]:
    """The same as JSON."""
    return {
        "taken": [asdict(one) for one in report.taken],
        "held": [
            {"kind": one.kind, "key": one.key, "sentence": one.error.said_by(spelling)} for one in report.held
        ],
        "remarks": list(report.remarks),
        "new": report.new,
    }


def merged_facts(report: Exchanged) -> dict[str, Any]:
    """A merge, which holds nothing back, as JSON."""
    return {
        "counts": [{"what": one.kind, "new": one.new, "known": one.known} for one in report.taken],
        "renumbered": [asdict(one) for one in report.renumbered],
        "remarks": list(report.remarks),
        "new": report.new,
    }
