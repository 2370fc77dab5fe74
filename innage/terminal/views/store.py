"""What is shown of keeping a store: what was checked, what came in from another."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dataset.words import counted
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from dataset.store.places import Place
    from dataset.store.whole.integrity import IntegrityReport

_IDS_SHOWN = 6


def show_check(store: Place, report: IntegrityReport) -> None:
    """How much was looked at, and each fault."""
    counted = ", ".join(
        f"{count} {what if what == 'limits' or count == 1 else 'benches' if what == 'bench' else what + 's'}"
        for what, count in report.checked
        if count
    )
    say(f"{store}: looked at {counted}")
    if report.hashed_by_upgrade:
        say(
            f"{report.hashed_by_upgrade} records got their hash when the store was upgraded: it proves only "
            "what stood there then."
        )
    for warning in report.warnings:
        say(f"Warning: {warning.what} {warning.sentence}.")
    if report.sound:
        say("Everything is as it was written.")
        return
    table("damaged", ("what", "how"), [(fault.what, fault.sentence) for fault in report.faults])
    restore = "'innage restore'" if isinstance(store, Path) else "the server's own pg_restore"
    say(
        f"{len(report.faults)} faults. What is not named here can still be read; "
        f"{restore} puts a backup in the store's place."
    )


def show_elsewhere(sessions: tuple[str, ...]) -> None:
    """Sessions of a text that the store has not."""
    if sessions:
        ids = ", ".join(sessions[:_IDS_SHOWN]) + (", ..." if len(sessions) > _IDS_SHOWN else "")
        say(
            f"{counted(len(sessions), 'session')} not in this store, whose marks were left out ({ids}): "
            "frames come with 'innage merge'"
        )
