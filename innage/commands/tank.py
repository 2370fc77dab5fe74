"""``innage tank``: tanks and their revisions."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from innage.completion import names_of
from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, RetiredOption, StoreOption, open_store
from innage.shape_options import ENDS, SECTIONS, ShapeOptions, read_shape
from innage.terminal.output import emit
from innage.terminal.views.registry import show_retired, show_revision
from innage.terminal.views.tank import show_added_tank, show_tank, show_tanks, show_volume

app = typer.Typer(
    help="Tanks and their frozen shapes, the revisions.", no_args_is_help=True, rich_markup_mode=None
)


@app.command()
def add(
    name: str,
    span_mm: Annotated[
        float | None,
        typer.Option("--span-mm", help="Usable height above the datum, mm; else all that the shape has."),
    ] = None,
    box: Annotated[
        str | None,
        typer.Option("--box", help="Inner shape: an upright box, WIDTHxDEPTH in mm, such as 120x80."),
    ] = None,
    cylinder: Annotated[
        float | None,
        typer.Option("--cylinder-mm", help="Inner shape: an upright cylinder of this diameter, mm."),
    ] = None,
    lying_cylinder: Annotated[
        str | None,
        typer.Option("--lying-cylinder", help="Inner shape: a cylinder on its side, DIAMETERxLENGTH in mm."),
    ] = None,
    ends: Annotated[
        str | None,
        typer.Option("--ends", help=f"Both ends of the lying cylinder: {ENDS}; mm, F and K in diameters."),
    ] = None,
    cone: Annotated[
        str | None,
        typer.Option(
            "--cone",
            help="Inner shape: an upright cone or frustum, BOTTOMxTOPxHEIGHT (diameters, height) in mm.",
        ),
    ] = None,
    section: Annotated[
        list[str] | None,
        typer.Option("--section", help=f"A part of a stack, repeat from the bottom up: {SECTIONS}; mm."),
    ] = None,
    strapping: Annotated[
        Path | None,
        typer.Option(
            "--strapping",
            help="Inner shape: a strapping table, CSV with height_mm,volume_ml; linear between.",
        ),
    ] = None,
    mesh: Annotated[
        Path | None, typer.Option("--mesh", help="Inner shape: a closed surface as STL, mm, z up.")
    ] = None,
    datum_mm: Annotated[
        float, typer.Option("--datum-mm", help="Height of the datum above the lowest inner point, mm.")
    ] = 0.0,
    headspace_mm: Annotated[
        float | None, typer.Option("--headspace-mm", help="Height that is left above the span, mm.")
    ] = None,
    expansion_per_k: Annotated[
        float | None, typer.Option("--expansion-per-k", help="Linear thermal expansion of the tank, per K.")
    ] = None,
    reference_c: Annotated[
        float | None,
        typer.Option("--reference-c", help="Temperature at which the shape holds, degrees Celsius."),
    ] = None,
    wall_material: Annotated[str, typer.Option(help="Wall material.")] = "",
    wall_mm: Annotated[float | None, typer.Option("--wall-mm", help="Wall thickness, mm.")] = None,
    dead_volume_ml: Annotated[
        float | None,
        typer.Option("--dead-volume-ml", help="Volume below the datum, mL; else what the shape has there."),
    ] = None,
    inlet_mm: Annotated[
        float | None, typer.Option("--inlet-mm", help="Height of the inlet above the datum, mm.")
    ] = None,
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a tank; a name that exists gets its next revision. At most one option says the inner shape."""
    from dataset.records import Tank
    from innage.jobs.registry import add_tank

    shape = ShapeOptions(box, cylinder, lying_cylinder, cone, tuple(section or ()), strapping, mesh, ends)
    profile = read_shape(shape, None if span_mm is None else span_mm + (headspace_mm or 0.0), datum_mm)
    new = Tank(
        name,
        0,
        math.nan if span_mm is None else span_mm,
        wall_material,
        wall_mm,
        dead_volume_ml,
        inlet_mm,
        note,
        headspace_mm=headspace_mm,
        expansion_per_k=expansion_per_k,
        reference_c=reference_c,
    )
    added = add_tank(open_store(store), new, profile)
    show_added_tank(added)
    show_revision(added)


@app.command("list")
def list_(
    retired: RetiredOption = False, json: JsonOption = False, store: StoreOption = DEFAULT_STORE
) -> None:
    """List the tanks and their revisions."""
    from innage.jobs.registry import listed, tank_facts

    opened = open_store(store)
    in_list = listed(opened, "tank", opened.tanks(), retired=retired)
    tanks = in_list.records
    if json:
        emit(in_list.facts(tank_facts))
    else:
        show_tanks(tanks)
    if not json:
        show_retired(in_list.retired)


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("tank"))],
    picture: Annotated[
        Path | None, typer.Option("--picture", help="Draw the profile into this file (*.svg, *.png, *.pdf).")
    ] = None,
    mounting: Annotated[
        str | None,
        typer.Option(
            "--mounting",
            help="Draw the pads of this mounting beside it.",
            autocompletion=names_of("mounting"),
        ),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show one tank (NAME or NAME@REVISION), and volumes at levels. Draw it with --picture."""
    from dataset.errors import InputError
    from innage.jobs.registry import tank_facts, volumes_of

    opened = open_store(store)
    tank = opened.tank(name)
    if mounting is not None and picture is None:
        raise InputError(
            "--mounting",
            mounting,
            "--picture beside it: the pads are drawn, not listed",
            f"see 'innage mounting show {mounting}'",
        )
    if picture is not None:
        from innage.pictures.drawings import draw_tank

        draw_tank(picture, tank, None if mounting is None else opened.mounting(mounting))
    volumes = volumes_of(tank)
    if json:
        rows = [{"level_mm": h, "volume_ml": v, "area_mm2": a} for h, v, a in volumes]
        emit(tank_facts(tank) | {"volumes": rows})
    else:
        show_tank(tank, volumes)


@app.command()
def volume(
    name: Annotated[str, typer.Argument(autocompletion=names_of("tank"))],
    level_mm: Annotated[
        float | None, typer.Option("--level-mm", help="A level above the datum, mm: gives the volume.")
    ] = None,
    volume_ml: Annotated[
        float | None, typer.Option("--volume-ml", help="A volume above the datum, mL: gives the level.")
    ] = None,
    temperature_c: Annotated[
        float | None,
        typer.Option("--temperature-c", help="Temperature of the tank, for its thermal expansion."),
    ] = None,
    tilt_deg: Annotated[
        float, typer.Option("--tilt-deg", help="Tilt of the tank about its tilt axis, degrees.")
    ] = 0.0,
    pad_offset_mm: Annotated[
        float,
        typer.Option(
            "--pad-offset-mm", help="Distance of a pad from the tilt axis, towards the low side, mm."
        ),
    ] = 0.0,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """The volume at a level, or the level of a volume. With a tilt, the level that a pad beside the axis
    sees.
    """
    from innage.jobs.registry import Tilt, volume_at

    tilt = Tilt(tilt_deg, pad_offset_mm)
    volume = volume_at(
        open_store(store),
        name,
        level_mm=level_mm,
        volume_ml=volume_ml,
        temperature_c=temperature_c,
        tilt=tilt,
    )
    if json:
        emit(volume.facts())
    else:
        show_volume(volume, tilt)
