"""``innage mounting``: sensors on tanks."""

from __future__ import annotations

from typing import Annotated

import typer

from innage.completion import names_of
from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, RetiredOption, StoreOption, open_store
from innage.terminal.output import emit, say, table
from innage.terminal.views.registry import show_retired

app = typer.Typer(
    help="Mountings: a sensor revision on a tank revision.", no_args_is_help=True, rich_markup_mode=None
)


@app.command()
def add(
    name: str,
    tank: Annotated[
        str, typer.Option(help="The tank, NAME or NAME@REVISION.", autocompletion=names_of("tank"))
    ],
    sensor: Annotated[
        str, typer.Option(help="The sensor, NAME or NAME@REVISION.", autocompletion=names_of("sensor"))
    ],
    offset_mm: Annotated[
        float, typer.Option("--offset-mm", help="Height of the sensor's zero above the tank's datum, mm.")
    ] = 0.0,
    offset_tolerance_mm: Annotated[
        float, typer.Option("--offset-tolerance-mm", help="Tolerance of that height, mm.")
    ] = 0.0,
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a mounting: where a sensor sits on a tank."""
    from dataset.records import Mounting
    from dataset.text.layouts import mounting_warnings

    opened = open_store(store)
    added = opened.add_mounting(
        Mounting(name, opened.tank(tank), opened.sensor(sensor), offset_mm, offset_tolerance_mm, note)
    )
    where = f"sensor {added.sensor.ref} on tank {added.tank.ref}"
    say(f"mounting {added.name}: {where}, offset {added.offset_mm:g} mm")
    for warning in mounting_warnings(added):
        say(f"warning: {warning}")


@app.command("list")
def list_(
    retired: RetiredOption = False, json: JsonOption = False, store: StoreOption = DEFAULT_STORE
) -> None:
    """List the mountings."""
    from innage.jobs.registry import listed, mounting_facts

    opened = open_store(store)
    in_list = listed(opened, "mounting", opened.mountings(), retired=retired)
    mountings = in_list.records
    if json:
        emit(in_list.facts(mounting_facts))
    elif mountings:
        rows = [
            (
                m.name,
                m.tank.ref,
                m.sensor.ref,
                m.offset_mm,
                m.offset_tolerance_mm,
            )
            for m in mountings
        ]
        table("mountings", ("mounting", "tank", "sensor", "offset mm", "tolerance mm"), rows)
    else:
        say("no mountings yet: try 'innage mounting add NAME --tank TANK --sensor SENSOR'")
    if not json:
        show_retired(in_list.retired)


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("mounting"))],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show one mounting: which pads stand beside which heights."""
    from dataset.text.layouts import mounting_warnings
    from innage.jobs.registry import mounting_facts

    mounting = open_store(store).mounting(name)
    if json:
        emit(mounting_facts(mounting))
        return
    tank, sensor = mounting.tank, mounting.sensor
    facts = [
        ("tank", f"{tank.ref}, span {tank.span_mm:g} mm"),
        ("sensor", sensor.ref),
        ("offset mm", f"{mounting.offset_mm:g}"),
        ("offset tolerance mm", f"{mounting.offset_tolerance_mm:g}"),
        ("note", mounting.note),
    ]
    table(f"mounting {mounting.name}", ("fact", "value"), facts)
    pads = zip(sensor.channel_names, sensor.pads, strict=True)
    rows = [
        (name, p.bottom_mm + mounting.offset_mm, p.bottom_mm + p.height_mm + mounting.offset_mm, p.role)
        for name, p in pads
    ]
    table("pads above the datum", ("pad", "bottom mm", "top mm", "role"), rows)
    for warning in mounting_warnings(mounting):
        say(f"warning: {warning}")
