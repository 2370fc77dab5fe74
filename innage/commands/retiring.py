"""``innage retire``: what of the registry is out of use."""

from __future__ import annotations

from typing import Annotated

import typer

from dataset.words import REGISTERED
from innage.options import DEFAULT_STORE, StoreOption, open_store
from innage.terminal.output import say


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(retire)


def retire(
    kind: Annotated[str, typer.Argument(help=", ".join(REGISTERED) + ".")],
    name: Annotated[str, typer.Argument(help="Its NAME; NAME@REVISION of a tank, sensor or limits.")],
    reason: Annotated[
        str, typer.Option(help="Why it is out of use; or why it can be used after all (--take-back).")
    ],
    take_back: Annotated[
        bool, typer.Option("--take-back", help="It was retired wrongly: it can be used again.")
    ] = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Take something registered out of use, with a reason.

    It leaves the lists (--retired shows it), and nothing new can use it. What uses it already stays as it
    is. NAME means the latest revision in use.
    """
    with open_store(store) as opened:
        if take_back:
            label = opened.take_back_retirement(kind, name, reason)
            say(f"{kind} {label} can be used again: {reason}")
        else:
            label = opened.retire(kind, name, reason)
            say(f"{kind} {label} is retired: {reason}")
