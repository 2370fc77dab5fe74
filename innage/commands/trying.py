"""``innage tank try``: what a tank and a pad layout would show, from the field solution, before either
exists.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import Coupling
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.pad_options import PAD_HELP, read_pads
from innage.terminal.output import emit, progress


def register(app: typer.Typer) -> None:
    """Add the command to those of tanks."""
    app.command("try")(try_)


def try_(
    mounting: Annotated[
        str | None,
        typer.Argument(
            help="A mounting of the store; a tank of the store, with --pad; or none, with --span-mm, "
            "--wall-mm and --pad.",
            autocompletion=names_of("mounting"),
        ),
    ] = None,
    span_mm: Annotated[
        float | None, typer.Option("--span-mm", help="Usable height of a tank that isn't in the store, mm.")
    ] = None,
    wall_mm: Annotated[
        float | None, typer.Option("--wall-mm", help="Wall thickness, mm; stands in for the tank's own.")
    ] = None,
    pad: Annotated[list[str] | None, typer.Option(help=PAD_HELP)] = None,
    offset_mm: Annotated[
        float | None,
        typer.Option(
            "--offset-mm", help="Height of the pads' zero above the datum, mm; stands in for the mounting's."
        ),
    ] = None,
    pad_width_mm: Annotated[
        float | None, typer.Option("--pad-width-mm", help="Width of pads that don't say theirs, mm.")
    ] = None,
    wall_permittivity: Annotated[
        float, typer.Option(help="Relative permittivity of the wall; polypropylene has about 2.3.")
    ] = 2.3,
    depth_mm: Annotated[
        float, typer.Option("--depth-mm", help="Inside of the tank behind the pads, mm.")
    ] = 80.0,
    shield: Annotated[
        bool, typer.Option("--shield/--no-shield", help="A driven shield at the carrier's back.")
    ] = True,
    liquid: Annotated[
        str | None,
        typer.Option(
            help="A liquid of the store; else --permittivity and --conductivity-s-m.",
            autocompletion=names_of("liquid"),
        ),
    ] = None,
    permittivity: Annotated[
        float, typer.Option(help="Relative permittivity of the liquid; water has 78.4 at 25 degrees.")
    ] = 78.4,
    conductivity: Annotated[
        float,
        typer.Option("--conductivity-s-m", help="Conductivity of the liquid, S/m; tap water has about 0.05."),
    ] = 0.05,
    frequency_hz: Annotated[
        float | None,
        typer.Option("--frequency-hz", help="Excitation frequency; else that of the first pad, else 1 MHz."),
    ] = None,
    coupling: Annotated[
        Coupling, typer.Option(help="How the liquid is joined to earth; the others are compared with it.")
    ] = Coupling.FLOATING,
    counts_per_pf: Annotated[
        float | None,
        typer.Option("--counts-per-pf", help="Counts of the board for one pF; resolution is then per count."),
    ] = None,
    noise_counts: Annotated[
        float, typer.Option("--noise-counts", help="Standard deviation of a pad's count.")
    ] = 1.0,
    coarsest_mm: Annotated[
        float,
        typer.Option(
            "--coarsest-mm", help="Levels with a resolution coarser than this are called blind, mm."
        ),
    ] = 1.0,
    film_um: Annotated[
        float, typer.Option("--film-um", help="Film on the wall above the liquid, micrometres.")
    ] = 20.0,
    foam_mm: Annotated[float, typer.Option("--foam-mm", help="Foam on the liquid, mm.")] = 20.0,
    foam_wetness: Annotated[
        float, typer.Option("--foam-wetness", help="Share of liquid in the foam.")
    ] = 0.05,
    picture: Annotated[
        Path | None, typer.Option("--picture", help="Draw it into this file (*.svg, *.png, *.pdf).")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Try a tank and a pad layout before they are built. Shown are response, blind stretches, resolution,
    what film, foam and earthing would do.
    """
    from dataset.rig.outlook import Disturbance
    from innage.jobs.trying import Filling, Layout, Reading, try_layout
    from innage.terminal.views.tank import show_tried

    layout = Layout(
        mounting,
        span_mm,
        wall_mm,
        read_pads(pad or (), ()),
        offset_mm,
        pad_width_mm,
        wall_permittivity,
        depth_mm,
        shield,
    )
    filling = Filling(liquid, permittivity, conductivity, frequency_hz, coupling)
    reading = Reading(counts_per_pf, noise_counts, coarsest_mm)
    above = Disturbance(film_um, foam_mm, foam_wetness)
    if picture is not None:
        from innage.pictures.figures import check_picture

        check_picture(picture)  # before the work
    with progress("field") as shown:
        tried = try_layout(lambda: open_store(store), layout, filling, reading, above, shown)
    if picture is not None:
        from innage.pictures.rig_pictures import draw_outlook

        draw_outlook(
            picture,
            tried.section,
            tried.pads,
            tried.outlook,
            title=tried.title,
            clean=f"clean, {tried.coupling}",
            noise_words=tried.noise,
            coarsest_mm=tried.coarsest_mm,
        )
    if json:
        emit(tried.facts())
    else:
        show_tried(tried)
