"""The shapes that ``innage tank add`` takes, from the texts of its options."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.values import plain_float
from innage.options import option_of

if TYPE_CHECKING:
    from dataset.tanks.profile import Profile
    from dataset.tanks.shapes import Section

ENDS = "flat, ellipsoidal:DEPTH, spherical:DEPTH, conical:DEPTH or torispherical:F:K"
SECTIONS = (
    "box:WIDTHxDEPTH:HEIGHT, cylinder:DIAMETER:HEIGHT, cone:BOTTOMxTOP:HEIGHT, "
    "taper:WIDTHxDEPTH:WIDTHxDEPTH:HEIGHT, ellipsoidal:DIAMETER:DEPTH, spherical:DIAMETER:DEPTH or "
    "torispherical:DIAMETER:F:K"
)
SIZES = {  # what the texts between the colons hold
    "box": (2, 1),
    "cylinder": (1, 1),
    "cone": (2, 1),
    "taper": (2, 2, 1),
    "ellipsoidal": (1, 1),
    "spherical": (1, 1),
    "torispherical": (1, 1, 1),
}


@dataclass(frozen=True)
class ShapeOptions:
    """The options of which one says the shape; the others are None or empty."""

    box: str | None = None
    cylinder: float | None = None
    lying_cylinder: str | None = None
    cone: str | None = None
    section: tuple[str, ...] = ()
    strapping: Path | None = None
    mesh: Path | None = None
    ends: str | None = None

    def named(self) -> list[str]:
        """The options that are given, as they are spelled."""
        names = ("box", "cylinder", "lying_cylinder", "cone", "section", "strapping", "mesh")
        return [option_of(name) for name in names if getattr(self, name) not in (None, ())]


def read_shape(options: ShapeOptions, inner_mm: float | None, datum_mm: float) -> Profile | None:
    """The profile that the options describe; None where none is given.

    Args:
        options: the texts of the options.
        inner_mm: span and headspace together, the height of a box or an upright cylinder above the datum.
        datum_mm: height of the datum above the lowest inner point.
    """
    given = options.named()
    if len(given) > 1:
        raise InputError("the tank's shape", " and ".join(given), "one of them", "stack parts with --section")
    if options.ends is not None and given != ["--lying-cylinder"]:
        raise InputError(
            "--ends",
            options.ends,
            "--lying-cylinder beside it",
            "an upright tank is stacked with --section",
        )
    if not given:
        if datum_mm:
            raise InputError("--datum-mm", f"{datum_mm:g}", "a shape beside it, such as --box 120x80")
        return None
    from dataset.tanks.profile import Profile

    return Profile(_sections(options, inner_mm, datum_mm), datum_mm)


def _sections(options: ShapeOptions, inner_mm: float | None, datum_mm: float) -> tuple[Section, ...]:
    from dataset.tanks.mesh import read_mesh
    from dataset.tanks.shapes import Cone
    from dataset.tanks.strapping import read_strapping

    if options.box is not None or options.cylinder is not None:
        return (_prism(options, inner_mm, datum_mm),)
    if options.cone is not None:
        bottom, top, height = _numbers("--cone", options.cone, 3, "BOTTOMxTOPxHEIGHT, such as 60x100x150")
        return (Cone(bottom, top, height),)
    if options.lying_cylinder is not None:
        diameter, length = _numbers(
            "--lying-cylinder", options.lying_cylinder, 2, "DIAMETERxLENGTH, such as 200x300"
        )
        return (_lying(diameter, length, options.ends or "flat"),)
    if options.strapping is not None:
        if datum_mm:
            raise InputError(
                "--datum-mm", f"{datum_mm:g}", "none: a strapping table counts from its first row"
            )
        return (read_strapping(options.strapping),)
    if options.mesh is not None:
        return (read_mesh(options.mesh),)
    return tuple(_section(text, k == 0) for k, text in enumerate(options.section))


def _prism(options: ShapeOptions, inner_mm: float | None, datum_mm: float) -> Section:
    """A box or an upright cylinder, as high as span and headspace say."""
    from dataset.tanks.shapes import Box, Cylinder

    if inner_mm is None:
        raise InputError("--span-mm", "isn't given", "the usable height: this shape has none of its own")
    if options.box is None:
        return Cylinder(options.cylinder or 0.0, inner_mm + datum_mm)
    width, depth = _numbers("--box", options.box, 2, "WIDTHxDEPTH, such as 120x80")
    return Box(width, depth, inner_mm + datum_mm)


def _lying(diameter: float, length: float, ends: str) -> Section:
    from dataset.tanks.lying import LyingCylinder

    form, *texts = ends.split(":")
    wanted = {"flat": 0, "ellipsoidal": 1, "spherical": 1, "conical": 1, "torispherical": 2}.get(form)
    if wanted is None or len(texts) != wanted:
        raise InputError("--ends", ends, ENDS)
    numbers = [number for text in texts for number in _numbers("--ends", text, 1, ENDS, ends)]
    if form == "torispherical":
        return LyingCylinder(diameter, length, form, f=numbers[0], k=numbers[1])
    return LyingCylinder(diameter, length, form, *numbers)


def _section(text: str, lowest: bool) -> Section:
    """One ``--section``; ends bulge down where they are the lowest, and up elsewhere."""
    from dataset.tanks.shapes import Box, Cone, Cylinder, Dish, Taper, TorisphericalDish

    form, *texts = text.split(":")
    sizes = SIZES.get(form)
    if sizes is None or len(texts) != len(sizes):
        raise InputError("--section", text, SECTIONS)
    n = [
        number
        for part, count in zip(texts, sizes, strict=True)
        for number in _numbers("--section", part, count, SECTIONS, text)
    ]
    side = "bottom" if lowest else "top"
    if form == "torispherical":
        return TorisphericalDish(n[0], n[1], n[2], side)
    if form in ("ellipsoidal", "spherical"):
        return Dish(form, n[0], n[1], side)
    if form == "cylinder":
        return Cylinder(n[0], n[1])
    if form == "taper":
        return Taper(n[0], n[1], n[2], n[3], n[4])
    return Box(n[0], n[1], n[2]) if form == "box" else Cone(n[0], n[1], n[2])


def _numbers(option: str, text: str, count: int, form: str, whole: str | None = None) -> list[float]:
    """``count`` numbers with an x between them."""
    try:
        numbers = [plain_float(part) for part in text.split("x")]
    except ValueError:
        numbers = []
    if len(numbers) != count:
        raise InputError(option, whole or text, form)
    return numbers
