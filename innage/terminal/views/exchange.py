"""What is shown of an exchange with a team's store."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from innage.terminal.output import say, table

if TYPE_CHECKING:
    from innage.jobs.exchange.push import Pushed

_HELD_SHOWN = 20


def show_pushed(server: str, done: Pushed, held: Sequence[str]) -> None:
    """What went to a server, what is to be known of it, and what the server did not take."""
    if done.taken:
        table(
            f"to {server}",
            ("what", "new", "there already"),
            [(one.kind, one.new, one.known) for one in done.taken],
        )
    for remark in done.remarks:
        say(remark)
    for sentence in held[:_HELD_SHOWN]:
        say(f"held back: {sentence}")
    if len(held) > _HELD_SHOWN:
        say(f"{len(held) - _HELD_SHOWN} more were held back: see all of them with --json")
