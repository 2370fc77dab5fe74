"""What stands below a page of a list."""

from __future__ import annotations

from shlex import quote

from innage.terminal.output import say


def show_next(key: str | None, what: str) -> None:
    """How to have the next page, or that there is none."""
    say(f"no further {what}" if key is None else f"the next page: --after {quote(key)}")
