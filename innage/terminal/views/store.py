"""What is shown of keeping a store: what was checked, what came in from another."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.words import counted
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from dataset.exchange.report import Exchanged, MergeReport
    from dataset.store.places import Place
    from dataset.store.whole.integrity import IntegrityReport

_IDS_SHOWN = 6
_HELD_SHOWN = 20


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


def show_merged(other: str, of_other: str, store: Place, report: MergeReport) -> None:
    """What came in from ``other``, whose own numbers are ``of_other``'s."""
    if report.counts:
        table(
            f"{other} into {store.name}",
            ("what", "new", "here already"),
            [(count.what, count.new, count.known) for count in report.counts],
        )
    for one in report.renumbered:
        say(f"{one.what} {one.theirs} of {of_other} is {one.ours} here")
    for remark in report.remarks:
        say(remark)


def show_exchanged(other: str, store: Place, report: Exchanged, held: Sequence[str]) -> None:
    """What came in from ``other``, what is to be known of it, and what was held back."""
    table(
        f"{other} into {store.name}",
        ("what", "new", "here already"),
        [(one.kind, one.new, one.known) for one in report.taken],
    )
    for remark in report.remarks:
        say(remark)
    for sentence in held[:_HELD_SHOWN]:
        say(f"held back: {sentence}")
    if len(held) > _HELD_SHOWN:
        say(f"{len(held) - _HELD_SHOWN} more were held back: see all of them with --json")


def show_elsewhere(sessions: tuple[str, ...]) -> None:
    """Sessions of a text that the store has not."""
    if sessions:
        ids = ", ".join(sessions[:_IDS_SHOWN]) + (", ..." if len(sessions) > _IDS_SHOWN else "")
        say(
            f"{counted(len(sessions), 'session')} not in this store, whose marks were left out ({ids}): "
            "frames come with 'innage merge'"
        )
