"""Shell completion of names that the store knows."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import typer

STORE_HERE = Path("innage.db")


def names_of(
    kind: str, *, retired: bool = False
) -> Callable[[typer.Context, str], list[str | tuple[str, str]]]:
    """A completer for the names of a kind (``tank``, ``unit``, ``session``, ...; see
    :func:`dataset.store.listing.names`) that are in use, or with ``retired`` all of them.

    It reads the store that ``--store`` or INNAGE_STORE names and gives nothing where that cannot be read: a
    key press is no place for an error.
    """

    def complete(ctx: typer.Context, incomplete: str) -> list[str | tuple[str, str]]:
        from dataset.store.listing import names, session_lines

        store = Path(ctx.params.get("store") or os.environ.get("INNAGE_STORE") or STORE_HERE)
        if kind == "session":
            lines = session_lines(store) or ()
            return [
                (s.id, f"{s.unit}, {s.liquid}, {s.frames} frames")
                for s in lines
                if s.id.startswith(incomplete)
            ]
        known = names(store, kind, retired=retired) or ()
        return [name for name in known if name.startswith(incomplete)]

    return complete
