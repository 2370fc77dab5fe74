"""``innage trace``: from an exported file back to the capture sessions that made its numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from innage.exit_codes import SAID_NO
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit
from innage.terminal.views.models.bundle import show_traced


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(trace)


def trace(
    file: Annotated[
        Path | None,
        typer.Argument(
            help="An exported bundle, its folder or any file of it, wherever it lies now; or a firmware, ELF "
            "or the bytes of its flash.",
        ),
    ] = None,
    identity: Annotated[
        str | None,
        typer.Option(help="Instead, the bytes of a model's identity, in hex as read over a field bus."),
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="List every session and trim, not the summary alone.")
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Walk from an exported file back to the readings behind it. Exit 1 when this store did not export it."""
    from dataset.errors import InputError
    from innage.jobs.models.tracing import trace as trace_file
    from innage.jobs.models.tracing import trace_identity

    if (file is None) == (identity is None):
        what = "neither is given" if file is None else "both are given"
        raise InputError("FILE and --identity", what, "one of them")
    with open_store(store) as opened:
        traced = trace_file(opened, file) if file is not None else trace_identity(opened, identity or "")
    if json:
        exports, identities = list(traced.exports), list(traced.identities)
        emit(
            {
                "file": traced.file,
                "sha256": traced.sha256,
                "exports": exports,
                "identities": identities,
                "strangers": list(traced.strangers),
            }
        )
    else:
        show_traced(traced, file, every=every)
    if not traced.exports:
        raise typer.Exit(SAID_NO)
