"""``innage status``: what a model is, by whom and why."""

from __future__ import annotations

from typing import Annotated

import typer

from dataset.words import ModelStatus
from innage.completion import names_of
from innage.options import DEFAULT_STORE, StoreOption, open_store
from innage.terminal.output import say


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(status)


def status(
    model: Annotated[str, typer.Argument(help="The model.", autocompletion=names_of("model", retired=True))],
    what: Annotated[ModelStatus, typer.Argument(help="What it is from now on.", metavar="STATUS")],
    author: Annotated[str, typer.Option(help="Who says so.")],
    reason: Annotated[str, typer.Option(help="Why; read a year later.")],
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Set the status of a model: candidate or retired.

    'innage models', 'innage compare' and 'innage trace' show it; a retired model is exported only with
    --even-if-retired.
    """
    with open_store(store) as opened:
        event = opened.set_status(model, what, author, reason)
    say(f"model {model} is {event.status} by {event.author}: {event.reason}")
