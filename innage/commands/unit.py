"""``innage unit``: physical samples."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from innage.completion import names_of
from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table

app = typer.Typer(
    help="Units: physical samples of board, adhesive and tank.", no_args_is_help=True, rich_markup_mode=None
)


@app.command()
def add(
    names: Annotated[list[str], typer.Argument(metavar="NAME...", help="One or several: all, or none.")],
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add units."""
    from dataset.records import Unit

    for added in open_store(store).add_units([Unit(name, note) for name in names]):
        say(f"unit {added.name}")


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the units."""
    units = open_store(store).units()
    if json:
        emit([asdict(u) for u in units])
    elif units:
        table("units", ("unit", "note"), [(u.name, u.note) for u in units])
    else:
        say("no units yet: try 'innage unit add NAME'")


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("unit"))],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show one unit."""
    unit = open_store(store).unit(name)
    if json:
        emit(asdict(unit))
    else:
        table(f"unit {unit.name}", ("fact", "value"), [("note", unit.note)])
