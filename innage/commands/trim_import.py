"""``innage trim import``: trims as a production fixture writes them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import TrimKind
from innage.completion import names_of
from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, progress
from innage.terminal.views.trim import show_imported


def register(app: typer.Typer) -> None:
    """Add the command to the group."""
    app.command("import")(import_)


def import_(
    file: Annotated[
        Path,
        typer.Argument(
            help="CSV, a trim a line; headings as the options of 'trim add', and a column for each channel."
        ),
    ],
    kind: Annotated[TrimKind | None, typer.Option(help="Kind, where a line states none.")] = None,
    date: Annotated[str | None, typer.Option(help="Their date, YYYY-MM-DD.")] = None,
    stage: Annotated[str | None, typer.Option(help="Their stage, such as end-of-line.")] = None,
    mounting: Annotated[
        str | None, typer.Option(help="Their mounting.", autocompletion=names_of("mounting"))
    ] = None,
    temperature_c: Annotated[float | None, typer.Option(help="Their temperature.")] = None,
    note: FreeTextOption = "",
    count: Annotated[
        list[str] | None,
        typer.Option("--count", help="Columns of counts; repeat. Default: the channels' names."),
    ] = None,
    add_units: Annotated[bool, typer.Option("--add-units", help="Add units that are new.")] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add the trims that a fixture wrote: all, or none. Those that are there already are skipped; dry ones
    that look wet are refused.
    """
    from innage.jobs.batch.trims import FixtureTrim, add_trims_from
    from innage.jobs.trims import trim_facts

    stated = FixtureTrim(
        kind=kind, date=date, stage=stage, mounting=mounting, temperature_c=temperature_c, note=note or None
    )
    with progress("trims") as moved:
        added = add_trims_from(
            open_store(store), file, stated, channels=count or (), add_units=add_units, progress=moved
        )
    if json:
        emit([trim_facts(trim) for trim in added.trims])
    else:
        show_imported(file, added)
