"""``innage changes``: what is other in a newer bundle than in the one before."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from innage.completion import names_of
from innage.options import JsonOption, open_existing
from innage.terminal.output import emit, progress
from innage.terminal.views.changes import show_changes


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(changes)


def changes(
    old: Annotated[Path, typer.Argument(help="The bundle in use: its folder, or its zip file.")],
    new: Annotated[Path, typer.Argument(help="The newer bundle.")],
    frozen: Annotated[
        str | None,
        typer.Option(
            help="Compare readings on the sessions of this frozen set, 'prove' left out. Default: the newer "
            "bundle's, where the store has it.",
            autocompletion=names_of("frozen_set"),
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Write a line for each frame whose reading changed here, as CSV.")
    ] = None,
    json: JsonOption = False,
    store: Annotated[
        Path | None,
        typer.Option(
            "--store",
            envvar="INNAGE_STORE",
            help="The store with the sessions whose readings are compared.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Show what changed from one bundle to the next.

    Limits, band and costs as the bundles state them, the numbers of their programs, and the readings of both
    on the same sessions; no 'prove' group is opened. Nothing of a bundle is run: the interpreter computes.
    """
    from dataset.errors import InputError
    from innage.jobs.models.changing import bundle_changes
    from innage.outputs import check_place, write_file

    if frozen is not None and store is None:
        raise InputError("--frozen", f"{frozen}, and no --store", "the store that has the set")
    if out is not None:
        check_place(out)
    with nullcontext() if store is None else open_existing(store) as opened, progress("comparing") as shown:
        changed = bundle_changes(opened, old, new, frozen=frozen, progress=shown)
    if out is not None:
        if changed.readings is None:
            raise InputError("--out", f"no readings to write: {changed.why_no_readings}", "compared readings")
        write_file(out, changed.readings.csv.encode())
    if json:
        emit(changed.facts())
    else:
        show_changes(changed)
