"""``innage sensor``: pad layouts and how their counts are added."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from dataset.records import CountLaw, hertz
from dataset.words import counted
from innage.completion import names_of
from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, RetiredOption, StoreOption, open_store
from innage.pad_options import PAD_HELP, read_pads
from innage.terminal.output import emit, say, table
from innage.terminal.views.registry import show_retired, show_revision

app = typer.Typer(
    help="Sensors: pads in channel order, count width and law, period.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command()
def add(
    name: str,
    count_bits: Annotated[int, typer.Option("--count-bits", help="Width of a count, bits.")],
    count_law: Annotated[
        CountLaw,
        typer.Option(
            "--count-law", help="How counts go with capacitance C: rises (with C) or falls (with 1/C)."
        ),
    ],
    period_ms: Annotated[int, typer.Option("--period-ms", help="Time between frames, ms.")],
    pad: Annotated[list[str] | None, typer.Option(help=PAD_HELP)] = None,
    layout: Annotated[
        Path | None,
        typer.Option(
            "--layout",
            help="The pads in a CSV file instead: channel, pad, bottom_mm, height_mm, width_mm, "
            "frequency_hz, role.",
        ),
    ] = None,
    count_scale: Annotated[
        int,
        typer.Option(
            "--count-scale",
            help="Steps of a count, 100 for values with two decimals; width and law are those of steps.",
        ),
    ] = 1,
    period_tolerance_pct: Annotated[
        int, typer.Option("--period-tolerance-pct", help="Tolerance of the period, percent.")
    ] = 10,
    reference: Annotated[
        list[str] | None, typer.Option(help="Name of a pad that is a reference, not for the level; repeat.")
    ] = None,
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a sensor; a name that exists gets its next revision."""
    from dataset.errors import InputError
    from dataset.records import Sensor
    from dataset.text.layouts import read_layout

    if (layout is None) == (not pad):
        raise InputError("sensor add", "neither or both of --pad and --layout", "one of them")
    if layout is not None and reference:
        raise InputError(
            "--reference", ", ".join(reference), "none beside --layout: its column 'role' says it"
        )
    pads = read_pads(pad or (), reference or ()) if layout is None else read_layout(layout)
    added = open_store(store).add_sensor(
        Sensor(name, 0, pads, count_bits, count_law, period_ms, period_tolerance_pct, note, count_scale)
    )
    names = ", ".join(added.channel_names)
    steps = "" if added.count_scale == 1 else f"{counted(added.count_scale, 'step')} a count, "
    say(
        f"sensor {added.ref}: pads {names}; {added.count_bits} bits, {steps}count {added.count_law} with C, "
        f"{added.period_ms} ms"
    )
    show_revision(added)


@app.command("list")
def list_(
    retired: RetiredOption = False, json: JsonOption = False, store: StoreOption = DEFAULT_STORE
) -> None:
    """List the sensors and their revisions."""
    from innage.jobs.registry import listed

    opened = open_store(store)
    in_list = listed(opened, "sensor", opened.sensors(), retired=retired)
    sensors = in_list.records
    if json:
        emit(in_list.facts(asdict))
    elif sensors:
        rows = [
            (
                s.ref,
                s.channels,
                s.count_bits,
                s.count_scale,
                s.count_law,
                s.period_ms,
                s.period_tolerance_pct,
            )
            for s in sensors
        ]
        table(
            "sensors",
            ("sensor", "pads", "count bits", "count scale", "count with C", "period ms", "tolerance %"),
            rows,
        )
    else:
        say(
            "no sensors yet: try 'innage sensor add NAME --pad p0:0:12.5 --count-bits 16 "
            "--count-law rises --period-ms 100'"
        )
    if not json:
        show_retired(in_list.retired)


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("sensor"))],
    picture: Annotated[
        Path | None, typer.Option("--picture", help="Draw the pads into this file (*.svg, *.png, *.pdf).")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show one sensor (NAME or NAME@REVISION) with its pads. Draw them with --picture."""
    sensor = open_store(store).sensor(name)
    if picture is not None:
        from innage.pictures.drawings import draw_sensor

        draw_sensor(picture, sensor)
    if json:
        emit(asdict(sensor))
        return
    facts = [(k, v) for k, v in asdict(sensor).items() if k not in ("name", "revision", "pads")]
    table(f"sensor {sensor.ref}", ("fact", "value"), facts)
    rows = [
        (p.channel, p.name, p.bottom_mm, p.height_mm, p.width_mm, hertz(p.frequency_hz), p.role)
        for p in sensor.pads
    ]
    table("pads", ("channel", "pad", "bottom mm", "height mm", "width mm", "frequency", "role"), rows)
