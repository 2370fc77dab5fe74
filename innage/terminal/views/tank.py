"""What is shown of tanks: their shapes in words, volumes at levels, and what a layout would show of one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

from innage.jobs.trying import CAUTION
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from dataset.records import Tank
    from dataset.tanks.shapes import Section
    from innage.jobs.registry import Tilt, Volume
    from innage.jobs.trying import Tried

_ROWS = 9  # of the table over the height


def show_added_tank(tank: Tank) -> None:
    """The span of a tank that was added, what it holds and its shape."""
    from dataset.tanks.profile import profile_of

    holds = ""
    if tank.profile is not None:
        profile = profile_of(tank)
        holds = f", {profile.volume_ml(tank.span_mm):.6g} mL; {shape_words(profile.sections)}"
    say(f"tank {tank.ref}: span {tank.span_mm:g} mm{holds}")


def show_tanks(tanks: Sequence[Tank]) -> None:
    """A row each."""
    if not tanks:
        say("no tanks yet: try 'innage tank add NAME --span-mm 100'")
        return
    rows = [(tank.ref, tank.span_mm, *_holds(tank), tank.wall_material, tank.wall_mm) for tank in tanks]
    table("tanks", ("tank", "span mm", "mL in it", "shape", "wall", "wall mm"), rows)


def _holds(tank: Tank) -> tuple[str | None, str]:
    """Volume within the span, and the shape in a word."""
    from dataset.tanks.profile import profile_of

    if tank.profile is None:
        return None, ""
    profile = profile_of(tank)
    shape = profile.sections[0].kind if len(profile.sections) == 1 else "stack"
    return f"{profile.volume_ml(tank.span_mm):.6g}", shape


def show_tank(tank: Tank, volumes: Sequence[tuple[float, float, float]]) -> None:
    """Its facts, and volumes and areas at levels."""
    from dataset.tanks.profile import profile_of

    profile = None if tank.profile is None else profile_of(tank)
    facts = [(k, v) for k, v in asdict(tank).items() if k not in ("name", "revision", "profile")]
    if profile is not None:
        facts += [
            ("profile", shape_words(profile.sections)),
            ("datum above the lowest point mm", profile.datum_mm),
            ("inner height mm", profile.height_mm),
        ]
    table(f"tank {tank.ref}", ("fact", "value"), facts)
    if profile is not None:
        table(
            "volumes",
            ("level mm", "volume mL", "area mm2"),
            [(f"{level:g}", f"{volume:.6g}", f"{area:.6g}") for level, volume, area in volumes],
        )
        if profile.sections[0].kind == "strapping":
            say("between the heights of the strapping table the volume is taken as linear")


def show_volume(volume: Volume, tilt: Tilt) -> None:
    """A level and the volume there."""
    at_pad = ""
    if volume.level_at_pad_mm is not None:
        at_pad = (
            f"; tilted by {tilt.degrees:g} degrees, a pad {tilt.pad_offset_mm:g} mm beside the axis sees "
            f"{volume.level_at_pad_mm:.6g} mm"
        )
    say(
        f"tank {volume.tank.ref}: {volume.level_mm:.6g} mm above the datum are {volume.volume_ml:.6g} mL "
        f"(surface {volume.area_mm2:.6g} mm2){at_pad}"
    )


def show_tried(tried: Tried) -> None:
    """Resolution and misreading over the height, blind stretches, and the caution."""
    import numpy as np

    shown, coarsest_mm = tried.outlook, tried.coarsest_mm

    at = np.unique(np.linspace(0, len(shown.levels) - 1, _ROWS).round().astype(int))
    columns = ("level mm", "resolution mm", *(f"{what}: read" for what in shown.read_as))
    rows = [
        (
            float(shown.levels[k]),
            float(shown.resolution[k]),
            *(float(read[k]) for read in shown.read_as.values()),
        )
        for k in at
    ]
    table(tried.title, columns, rows)
    say(
        f"resolution {tried.noise} on each pad: median {np.median(shown.resolution):.3g} mm, "
        f"coarsest {shown.resolution.max():.3g} mm"
    )
    blind = ", ".join(f"{low:g} to {high:g} mm" if high > low else f"{low:g} mm" for low, high in shown.blind)
    say(
        f"blind (coarser than {coarsest_mm:g} mm): {blind}"
        if blind
        else f"no level is coarser than {coarsest_mm:g} mm"
    )
    say(CAUTION)


def shape_words(sections: Sequence[Section]) -> str:
    """A profile in a few words, from the bottom upwards."""
    return " + ".join(_words(s) for s in sections)


def _words(section: Section) -> str:
    facts = {
        k: v
        for k, v in section.facts().items()
        if k not in ("kind", "sha256", "z_mm", "area_mm2", "height_mm", "volume_ml") and v not in ("", 0.0)
    }
    if section.kind in ("strapping", "mesh"):
        named = f" {facts['file']}" if "file" in facts else ""
        points = len(section.facts()["height_mm" if section.kind == "strapping" else "z_mm"])
        return f"{section.kind}{named}, {points} heights"
    inner = ", ".join(
        f"{k.removesuffix('_mm').replace('_', ' ')} {v:g}" if isinstance(v, int | float) else str(v)
        for k, v in facts.items()
    )
    return f"{section.kind} ({inner}, {section.tall_mm:g} mm tall)"
