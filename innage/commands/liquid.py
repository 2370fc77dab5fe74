"""``innage liquid``: liquids and what is known of them."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.output import emit, say, table

app = typer.Typer(help="Liquids: permittivity, conductivity and density, where they are known.", no_args_is_help=True, rich_markup_mode=None)


@app.command()
def add(
    name: str,
    permittivity: Annotated[float | None, typer.Option(help="Relative permittivity.")] = None,
    conductivity: Annotated[float | None, typer.Option(help="Conductivity, S/m.")] = None,
    density: Annotated[float | None, typer.Option(help="Density, kg/m3.")] = None,
    temperature_c: Annotated[float | None, typer.Option("--temperature-c", help="Temperature that the values hold at, degrees Celsius.")] = None,
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a liquid; values that are not known are left out."""
    from dataset.records import Liquid

    made = open_store(store).add_liquid(Liquid(name, permittivity, conductivity, density, temperature_c, note))
    say(f"liquid {made.name}")


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the liquids."""
    liquids = open_store(store).liquids()
    if json:
        emit([asdict(x) for x in liquids])
    elif liquids:
        rows = [(x.name, x.permittivity, x.conductivity, x.density, x.temperature_c) for x in liquids]
        table("liquids", ("liquid", "permittivity", "conductivity S/m", "density kg/m3", "at C"), rows)
    else:
        say("no liquids yet: try 'innage liquid add NAME'")


@app.command()
def show(name: str, json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """Show one liquid."""
    liquid = open_store(store).liquid(name)
    if json:
        emit(asdict(liquid))
    else:
        table(f"liquid {liquid.name}", ("fact", "value"), [(k, v) for k, v in asdict(liquid).items() if k != "name"])
