"""What was noticed of a capture session at the door."""

from __future__ import annotations

from typing import TYPE_CHECKING

from innage.terminal.output import say

if TYPE_CHECKING:
    from dataset.records import Session


def say_warnings(session: Session) -> None:
    """What the checks at the door found, a line each."""
    for warning in session.warnings:
        say(f"  warning, {warning.check}: {warning.sentence}")
