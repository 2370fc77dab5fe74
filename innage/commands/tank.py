"""``innage tank``: vessels and their revisions."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from innage.commands import trying
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.pictures.tank_shapes import ENDS, SECTIONS, ShapeOptions, read_shape, shape_words
from innage.terminal.output import emit, say, table

if TYPE_CHECKING:
    from dataset.records import Tank
    from dataset.tanks.profile import Profile

app = typer.Typer(help="Tanks: a vessel and its frozen shapes.", no_args_is_help=True, rich_markup_mode=None)

app.command("try")(trying.try_)

ROWS = 10  # of the small table of volumes, beside the one at 0


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
        float | None, typer.Option("--expansion-per-k", help="Linear thermal expansion of the vessel, per K.")
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
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a tank; a name that exists gets its next revision. At most one option says the inner shape."""
    from dataset.errors import InputError
    from dataset.records import Tank
    from dataset.tanks.profile import to_json

    shape = ShapeOptions(box, cylinder, lying_cylinder, cone, tuple(section or ()), strapping, mesh, ends)
    profile = read_shape(shape, None if span_mm is None else span_mm + (headspace_mm or 0.0), datum_mm)
    if profile is None and span_mm is None:
        raise InputError("--span-mm", "isn't given", "the usable height, or a shape that has one")
    if profile is not None:
        if span_mm is None:
            span_mm = profile.height_mm - (headspace_mm or 0.0)
        if headspace_mm is None:
            headspace_mm = max(profile.height_mm - span_mm, 0.0)
        if dead_volume_ml is None and profile.dead_volume_ml > 0:
            dead_volume_ml = profile.dead_volume_ml
    text = None if profile is None else to_json(profile)
    made = open_store(store).add_tank(
        Tank(
            name,
            0,
            span_mm or 0.0,
            wall_material,
            wall_mm,
            dead_volume_ml,
            inlet_mm,
            note,
            text,
            headspace_mm,
            expansion_per_k,
            reference_c,
        )
    )
    holds = (
        ""
        if profile is None
        else f", {profile.volume_ml(made.span_mm):.6g} mL; {shape_words(profile.sections)}"
    )
    say(f"tank {made.ref}: span {made.span_mm:g} mm{holds}")


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the tanks and their revisions."""
    tanks = open_store(store).tanks()
    if json:
        emit([facts(t) for t in tanks])
    elif tanks:
        rows = [(t.ref, t.span_mm, *_holds(t), t.wall_material, t.wall_mm) for t in tanks]
        table("tanks", ("tank", "span mm", "mL in it", "shape", "wall", "wall mm"), rows)
    else:
        say("no tanks yet: try 'innage tank add NAME --span-mm 100'")


def facts(tank: Tank) -> dict[str, Any]:
    """A tank for JSON, its profile as an object."""
    import json

    return asdict(tank) | {"profile": None if tank.profile is None else json.loads(tank.profile)}


def _holds(tank: Tank) -> tuple[str | None, str]:
    """Volume within the span, and the shape in a word."""
    from dataset.tanks.profile import profile_of

    if tank.profile is None:
        return None, ""
    profile = profile_of(tank)
    return f"{profile.volume_ml(tank.span_mm):.6g}", profile.sections[0].kind if len(
        profile.sections
    ) == 1 else "stack"


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
    from dataset.tanks.profile import profile_of

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
    profile = None if tank.profile is None else profile_of(tank)
    volumes = [] if profile is None else _volumes(profile, tank)
    if json:
        emit(
            facts(tank) | {"volumes": [{"level_mm": h, "volume_ml": v, "area_mm2": a} for h, v, a in volumes]}
        )
        return
    shown = [(k, v) for k, v in asdict(tank).items() if k not in ("name", "revision", "profile")]
    if profile is not None:
        shown += [
            ("profile", shape_words(profile.sections)),
            ("datum above the lowest point mm", profile.datum_mm),
            ("inner height mm", profile.height_mm),
        ]
    table(f"tank {tank.ref}", ("fact", "value"), shown)
    if profile is not None:
        table(
            "volumes",
            ("level mm", "volume mL", "area mm2"),
            [(f"{h:g}", f"{v:.6g}", f"{a:.6g}") for h, v, a in volumes],
        )
        if profile.sections[0].kind == "strapping":
            say("between the heights of the strapping table the volume is taken as linear")


def _volumes(profile: Profile, tank: Tank) -> list[tuple[float, float, float]]:
    """Level, volume and area in ten steps of the span, and at the inner top where that is higher."""
    levels = [tank.span_mm * k / ROWS for k in range(ROWS + 1)]
    if profile.height_mm > tank.span_mm * (1 + 1e-9):
        levels.append(profile.height_mm)
    return [(h, profile.volume_ml(h), profile.area_mm2(h)) for h in levels]


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
        typer.Option("--temperature-c", help="Temperature of the vessel, for its thermal expansion."),
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
    from dataset.errors import InputError
    from dataset.tanks.profile import level_at_pad_mm, profile_of

    if (level_mm is None) == (volume_ml is None):
        raise InputError("tank volume", "neither or both of --level-mm and --volume-ml", "one of them")
    tank = open_store(store).tank(name)
    if temperature_c is not None and tank.expansion_per_k is None:
        raise InputError(
            f"tank {tank.ref}",
            "has no expansion coefficient",
            "",
            "add a revision with --expansion-per-k and --reference-c",
        )
    profile = profile_of(tank, temperature_c)
    if volume_ml is not None:
        level_mm = profile.level_mm(volume_ml)
    else:
        volume_ml = profile.volume_ml(level_mm or 0.0)
    level = level_mm or 0.0
    area = profile.area_mm2(level)
    at_pad = level_at_pad_mm(profile, level, tilt_deg, pad_offset_mm) if tilt_deg else None
    if json:
        emit(
            {
                "tank": tank.name,
                "revision": tank.revision,
                "level_mm": level,
                "volume_ml": volume_ml,
                "area_mm2": area,
                "level_at_pad_mm": at_pad,
            }
        )
        return
    said = f"tank {tank.ref}: {level:.6g} mm above the datum are {volume_ml:.6g} mL (surface {area:.6g} mm2)"
    if at_pad is not None:
        said += (
            f"; tilted by {tilt_deg:g} degrees, a pad {pad_offset_mm:g} mm beside the axis sees "
            f"{at_pad:.6g} mm"
        )
    say(said)
