"""``innage liquid``: liquids and what is known of them."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from innage.completion import names_of
from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, RetiredOption, StoreOption, open_store
from innage.terminal.output import emit, say, table
from innage.terminal.views.registry import show_retired

if TYPE_CHECKING:
    from dataset.records import Liquid

app = typer.Typer(
    help="Liquids: permittivity, conductivity and density, where known.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command()
def add(
    name: str,
    like: Annotated[
        str | None,
        typer.Option(
            "--like",
            help="Start from a common liquid (see 'innage liquid common'); other options override it.",
        ),
    ] = None,
    permittivity: Annotated[float | None, typer.Option(help="Relative permittivity.")] = None,
    conductivity: Annotated[
        float | None, typer.Option("--conductivity-s-m", help="Conductivity, S/m.")
    ] = None,
    density: Annotated[float | None, typer.Option("--density-kg-m3", help="Density, kg/m3.")] = None,
    temperature_c: Annotated[
        float | None,
        typer.Option("--temperature-c", help="Temperature that the values hold at, degrees Celsius."),
    ] = None,
    source: Annotated[str | None, typer.Option("--source", help="Where the values are from.")] = None,
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a liquid; values that are not known are left out. Common liquids have no conductivity: give your
    own.
    """
    from dataset.labels.liquids import common
    from dataset.records import Liquid
    from innage.jobs.registry import liquid_like

    given = Liquid(name, permittivity, conductivity, density, temperature_c, note, None, source)
    added = open_store(store).add_liquid(given if like is None else liquid_like(common(like), given))
    say(f"liquid {added.name}" + (f", like {like}: {added.source}" if like else ""))


@app.command("common")
def common_(json: JsonOption = False) -> None:
    """List the common liquids for '--like', with their sources. Used as in 'innage liquid add NAME --like
    water'.
    """
    from dataset.labels.liquids import COMMON

    if json:
        emit([asdict(x) for x in COMMON])
        return
    table(
        "common liquids",
        ("liquid", "permittivity", "density kg/m3", "at C", "source"),
        [(x.name, *shown(x), x.source) for x in COMMON],
    )
    say(
        "a value 'by model' follows the temperature; conductivity depends on what is "
        "dissolved, so none is given here"
    )


def shown(liquid: Liquid) -> tuple[object, object, object]:
    """Permittivity, density and their temperature, or that a model gives them."""
    by_model = None if liquid.model is None else "by model"
    return (
        liquid.permittivity if liquid.permittivity is not None else by_model,
        liquid.density if liquid.density is not None else by_model,
        liquid.temperature_c,
    )


@app.command("list")
def list_(
    retired: RetiredOption = False, json: JsonOption = False, store: StoreOption = DEFAULT_STORE
) -> None:
    """List the liquids."""
    from innage.jobs.registry import listed

    opened = open_store(store)
    in_list = listed(opened, "liquid", opened.liquids(), retired=retired)
    liquids = in_list.records
    if json:
        emit(in_list.facts(asdict))
    elif liquids:
        rows = [(x.name, *shown(x), x.conductivity, x.source) for x in liquids]
        table(
            "liquids", ("liquid", "permittivity", "density kg/m3", "at C", "conductivity S/m", "source"), rows
        )
    else:
        say("no liquids yet: try 'innage liquid add NAME'")
    if not json:
        show_retired(in_list.retired)


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("liquid"))],
    at: Annotated[
        list[float] | None,
        typer.Option("--at-c", help="Give the values at this temperature, degrees Celsius; repeat."),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show one liquid, and with --at-c its values at a temperature."""
    from dataset.labels.liquids import known

    liquid = open_store(store).liquid(name)
    values = [(t, *known(liquid, t)) for t in at or ()]
    if json:
        at_c = (
            {"at": [{"temperature_c": t, "permittivity": e, "density": d} for t, e, d in values]}
            if values
            else {}
        )
        emit(asdict(liquid) | at_c)
        return
    table(
        f"liquid {liquid.name}", ("fact", "value"), [(k, v) for k, v in asdict(liquid).items() if k != "name"]
    )
    if values:
        rows = [(f"{t:g}", *("-" if v is None else f"{v:.6g}" for v in (e, d))) for t, e, d in values]
        table("values", ("at C", "permittivity", "density kg/m3"), rows)
