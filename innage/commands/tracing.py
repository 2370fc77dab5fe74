"""``innage trace``: from an exported file back to the capture sessions that made its numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from innage.exit_codes import SAID_NO
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit
from innage.terminal.views.bundle import show_traced


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(trace)


def trace(
    file: Annotated[Path, typer.Argument(help="A file of an exported bundle, wherever it lies now.")],
    every: Annotated[
        bool, typer.Option("--all", help="List every session and trim, not the summary alone.")
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Walk from an exported file back to the readings behind it. Exit 1 when this store did not export it."""
    from innage.jobs.models.exporting import trace as trace_file

    with open_store(store) as opened:
        traced = trace_file(opened, file)
    if json:
        emit({"file": traced.file, "sha256": traced.sha256, "exports": list(traced.exports)})
    else:
        show_traced(traced, file, every=every)
    if not traced.exports:
        raise typer.Exit(SAID_NO)
