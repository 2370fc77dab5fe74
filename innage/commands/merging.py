"""``innage merge``: two benches, two laptops, one store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from innage.options import DEFAULT_STORE, JsonOption, OtherStoreArgument, StoreOption, open_store, option_of
from innage.terminal.output import emit, progress, say
from innage.terminal.views.exchange import merged_facts, show_exchanged


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("merge")(merge)


def merge(
    other: OtherStoreArgument,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would come in, and write nothing.")
    ] = False,
    same_unit: Annotated[
        list[str] | None,
        typer.Option(
            "--same-unit",
            metavar="NAME|HERE=THERE",
            help="A unit that both stores registered. May be repeated.",
        ),
    ] = None,
    reason: Annotated[str, typer.Option("--reason", help="How somebody knows that they are one.")] = "",
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Bring in what another store has: all of it or nothing. What is here already, by content, stays as it
    is.
    """
    opened = open_store(store)
    units = [pair.partition("=")[::2] for pair in same_unit or ()]
    same_units = [(here, there or here, reason) for here, there in units]
    whole = other.resolve() if isinstance(other, Path) else other
    named = other.name if other.name != store.name else str(whole)
    with progress(f"merging {named}") as show:
        report = opened.merge(other, dry_run=dry_run, progress=show, same_units=same_units)
    if json:
        emit(merged_facts(report) | {"dry_run": dry_run})
        return
    show_exchanged(f"{named} into {store.name}", report, option_of, other=named)
    if not report.new:
        say(f"nothing new in {named}")
    elif dry_run:
        say(f"nothing was written; {report.new} new without --dry-run")
    else:
        say(f"{report.new} new; {named} is as it was")
