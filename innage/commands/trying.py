"""``innage tank try``: what a tank and a pad layout would show, from the field solution, before either
exists.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.records import Coupling
from innage.commands.sensor import PAD_HELP
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, progress, say, table

if TYPE_CHECKING:
    from dataset.records import Mounting
    from dataset.rig.media import Medium
    from dataset.rig.outlook import Outlook

ROWS = 9  # of the table over the height
CAUTION = (
    "simulated: a two-dimensional field solution, for choosing between layouts; not a figure of accuracy"
)


@dataclass(frozen=True)
class Noise:
    """Noise of a pad, and how it is said: in counts where the board's counts per pF are known,
    else of 1 fF.
    """

    pf: float
    words: str


def try_(
    mounting: Annotated[
        str | None,
        typer.Argument(
            help="A mounting of the store; or none, with --span-mm, --wall-mm and --pad.",
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
        Coupling, typer.Option(help="How the liquid is joined to earth; the others are set against it.")
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
    from dataset.rig.outlook import Disturbance, level_pads, outlook, slice_of
    from dataset.rig.response import response_table

    above, noise = Disturbance(film_um, foam_mm, foam_wetness), _noise(counts_per_pf, noise_counts)
    above.check()
    _positive(
        wall_permittivity=wall_permittivity,
        depth_mm=depth_mm,
        coarsest_mm=coarsest_mm,
        permittivity=permittivity,
        frequency_hz=frequency_hz,
    )
    tried = _mounting(store, mounting, span_mm, wall_mm, pad or [], offset_mm)
    medium = _medium(store, liquid, permittivity, conductivity)
    frequency = (
        frequency_hz or next((p.frequency_hz for p in tried.sensor.pads if p.frequency_hz), None) or 1e6
    )
    its = slice_of(
        tried,
        wall_permittivity=wall_permittivity,
        depth_mm=depth_mm,
        frequency_hz=frequency,
        shield=shield,
        pad_width_mm=pad_width_mm,
    )
    with progress("field") as moved:
        responses = response_table(its, medium, tried.tank.span_mm, progress=moved)
    shown = outlook(
        responses, coupling, tried.tank.span_mm, noise_pf=noise.pf, coarsest_mm=coarsest_mm, above=above
    )
    names = [p.name for p in level_pads(tried)]
    if picture is not None:
        from innage.pictures.rig_pictures import draw_outlook

        title, clean = _title(tried, medium, frequency, coupling), f"clean, {coupling}"
        draw_outlook(
            picture,
            its,
            names,
            shown,
            title=title,
            clean=clean,
            noise_words=noise.words,
            coarsest_mm=coarsest_mm,
        )
    if json:
        emit(_facts(shown, names, noise, coarsest_mm))
        return
    _print(shown, noise, coarsest_mm, _title(tried, medium, frequency, coupling))


def _mounting(
    store: Path,
    name: str | None,
    span_mm: float | None,
    wall_mm: float | None,
    pads: list[str],
    offset_mm: float | None,
) -> Mounting:
    """A mounting of the store with what the options change, or one made from the options alone and not
    stored.
    """
    from dataclasses import replace

    from dataset.errors import InputError
    from dataset.records import CountLaw, Mounting, Sensor, Tank
    from innage.commands.sensor import read_pads

    _positive(span_mm=span_mm, wall_mm=wall_mm)
    if name is not None:
        if span_mm is not None or pads:
            raise InputError("tank try", "a mounting of the store, and --span-mm or --pad", "one of them")
        kept = open_store(store).mounting(name)
        return replace(
            kept,
            tank=replace(kept.tank, wall_mm=wall_mm or kept.tank.wall_mm),
            offset_mm=kept.offset_mm if offset_mm is None else offset_mm,
        )
    if span_mm is None or wall_mm is None or not pads:
        raise InputError(
            "tank try", "no mounting", "the name of one, or all of --span-mm, --wall-mm and --pad"
        )
    sensor = Sensor("tried", 1, read_pads(pads, ()), 16, CountLaw.RISES, 100)
    return Mounting("tried", Tank("tried", 1, span_mm, wall_mm=wall_mm), sensor, offset_mm or 0.0)


def _medium(store: Path, name: str | None, permittivity: float, conductivity: float) -> Medium:
    from dataset.errors import InputError
    from dataset.labels.liquids import permittivity as permittivity_of
    from dataset.rig.media import Medium

    if conductivity < 0:
        raise InputError("--conductivity-s-m", f"{conductivity:g}", "0 or more, in S/m")
    if name is None:
        return Medium(permittivity, conductivity)
    liquid = open_store(store).liquid(name)
    warm = 25.0 if liquid.temperature_c is None else liquid.temperature_c
    return Medium(
        permittivity_of(liquid, warm), conductivity if liquid.conductivity is None else liquid.conductivity
    )


def _noise(counts_per_pf: float | None, noise_counts: float) -> Noise:
    _positive(counts_per_pf=counts_per_pf, noise_counts=noise_counts)
    if counts_per_pf is None:
        return Noise(1e-3, "for 1 fF of noise")
    return Noise(
        noise_counts / counts_per_pf,
        f"for {noise_counts:g} counts of noise" if noise_counts != 1 else "for 1 count of noise",
    )


def _positive(**options: float | None) -> None:
    from dataset.errors import InputError

    for name, value in options.items():
        if value is not None and not 0 < value < float("inf"):
            raise InputError("--" + name.replace("_", "-"), f"{value:g}", "a number above 0")


def _title(tried: Mounting, medium: Medium, frequency: float, coupling: Coupling) -> str:
    from dataset.records import hertz

    return (
        f"{tried.name}: liquid of permittivity {medium.permittivity:.4g} and {medium.conductivity:g} S/m, "
        f"{coupling}, at {hertz(frequency)}"
    )


def _facts(shown: Outlook, names: list[str], noise: Noise, coarsest_mm: float) -> dict[str, Any]:
    return {
        "simulated": True,
        "caution": CAUTION,
        "pads": names,
        "noise": noise.words,
        "level_mm": shown.levels.tolist(),
        "self_capacitance_pf": shown.pads.tolist(),
        "slope_pf_per_mm": shown.slope.tolist(),
        "resolution_mm": shown.resolution.tolist(),
        "coarsest_mm": coarsest_mm,
        "blind_mm": [list(one) for one in shown.blind],
        "read_as_mm": {what: read.tolist() for what, read in shown.read_as.items()},
    }


def _print(shown: Outlook, noise: Noise, coarsest_mm: float, title: str) -> None:
    import numpy as np

    at = np.unique(np.linspace(0, len(shown.levels) - 1, ROWS).round().astype(int))
    columns = ("level mm", "resolution mm", *(f"{what}: read" for what in shown.read_as))
    rows = [
        (
            float(shown.levels[k]),
            float(shown.resolution[k]),
            *(float(read[k]) for read in shown.read_as.values()),
        )
        for k in at
    ]
    table(title, columns, rows)
    say(
        f"resolution {noise.words} on each pad: median {np.median(shown.resolution):.3g} mm, "
        f"coarsest {shown.resolution.max():.3g} mm"
    )
    blind = ", ".join(f"{low:g} to {high:g} mm" if high > low else f"{low:g} mm" for low, high in shown.blind)
    say(
        f"blind (coarser than {coarsest_mm:g} mm): {blind}"
        if blind
        else f"no level is coarser than {coarsest_mm:g} mm"
    )
    say(CAUTION)
