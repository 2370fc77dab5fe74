"""``innage unit import``: units from a list."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.words import counted
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say


def register(app: typer.Typer) -> None:
    """Add the command to the group."""
    app.command("import")(import_)


def import_(
    file: Annotated[Path, typer.Argument(help="CSV, a unit a line, with headings name, serial and note.")],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add the units of a list: all, or none. Those that are there already are skipped."""
    from innage.jobs.batch.units import add_units_from
    from innage.jobs.registry import unit_facts

    opened = open_store(store)
    units, known = add_units_from(opened, file)
    if json:
        emit(unit_facts(opened, units))
        return
    there = f"; {len(known)} were in the store already" if known else ""
    say(f"{file.name}: {counted(len(units), 'unit')} added{there}")
