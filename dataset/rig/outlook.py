"""What a tank and a pad layout promise before they are built: response, blind stretches, resolution, and what
film, foam and earthing would do.

'Read as' is the level whose clean pads lie nearest (least squares over the pads): what a reader that knows
only clean walls would say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from dataset.errors import InputError
from dataset.records import Coupling, Mounting, Pad
from dataset.rig.grid import Floats
from dataset.rig.response import FOAMS_MM, WETNESSES, Response
from dataset.rig.slices import FILMS_UM, Slice
from dataset.tanks.profile import from_json
from dataset.words import counted

STEP_MM = 1.0
FINER = 10  # levels that a reading may name, for each of those shown
HEADSPACE_MM = 20.0  # above the span, where the tank doesn't say
TALLEST = 40  # pads; each one is another right-hand side and finer grid


@dataclass(frozen=True)
class Disturbance:
    """What lies above the liquid: a film on the wall, or foam of a liquid fraction."""

    film_um: float = 20.0
    foam_mm: float = 20.0
    wetness: float = 0.05

    def check(self) -> None:
        """Raises InputError where the solved tables don't reach."""
        for field, value, low, high in (
            ("film_um", self.film_um, 1.0, FILMS_UM[-1]),
            ("foam_mm", self.foam_mm, 1.0, FOAMS_MM[-1]),
            ("wetness", self.wetness, WETNESSES[0], WETNESSES[-1]),
        ):
            if not low <= value <= high:
                solved = f"{low:g} to {high:g}, for which the field is solved"
                raise InputError(field, f"{value:g}", solved, fields=(field,))


@dataclass(frozen=True)
class Outlook:
    """Over ``levels`` (n,) mm: ``pads`` (n, pads) pF, ``slope`` (n, pads) pF per mm, ``resolution`` (n,) mm,
    at most the span.

    ``read_as`` (n,) mm by what is the matter: 'film', 'foam', and each other coupling to earth. ``blind`` are
    stretches (bottom, top) mm in which the resolution is coarser than asked for.
    """

    levels: Floats
    pads: Floats
    slope: Floats
    resolution: Floats
    read_as: dict[str, Floats]
    blind: tuple[tuple[float, float], ...]


def level_pads(mounting: Mounting) -> list[Pad]:
    """The pads of a mounting, each place once, lowest first, reference pads too.

    Raises InputError where pads stand beside one another: a vertical slice can't show that.
    """
    places = {pad.name: pad for pad in mounting.sensor.pads}
    pads = sorted(places.values(), key=lambda pad: pad.bottom_mm)
    for lower, upper in pairwise(pads):
        if upper.bottom_mm <= lower.bottom_mm + lower.height_mm:
            raise InputError(
                f"pad {upper.name}",
                f"it does not lie wholly above pad {lower.name}",
                "pads one above the other with a gap between",
            )
    if len(pads) > TALLEST:
        raise InputError(f"sensor {mounting.sensor.name}", counted(len(pads), "pad"), f"at most {TALLEST}")
    return pads


def slice_of(
    mounting: Mounting,
    *,
    wall_permittivity: float,
    depth_mm: float,
    frequency_hz: float,
    shield: bool,
    pad_width_mm: float | None = None,
) -> Slice:
    """The vertical slice of a mounting; ``pad_width_mm`` stands in for pads that don't say theirs.

    Raises InputError for what isn't known: the wall's thickness, the pads' width.
    """
    tank, pads = mounting.tank, level_pads(mounting)
    if tank.wall_mm is None:
        raise InputError(
            f"tank {tank.name}", "its wall thickness isn't known", "a tank with wall_mm", fields=("wall_mm",)
        )
    widths = {pad.width_mm or pad_width_mm for pad in pads}
    if None in widths or len(widths) > 1:
        raise InputError(
            f"sensor {mounting.sensor.name}",
            "pads of several widths, or of none",
            "one width for all pads",
            "say it with pad_width_mm",
            fields=("pad_width_mm",),
        )
    profile = None if tank.profile is None else from_json(tank.profile)
    top = (
        profile.height_mm
        if profile is not None
        else tank.span_mm + (HEADSPACE_MM if tank.headspace_mm is None else tank.headspace_mm)
    )
    bottoms = [
        (pad.bottom_mm + mounting.offset_mm, pad.bottom_mm + pad.height_mm + mounting.offset_mm)
        for pad in pads
    ]
    floor = {} if profile is None or profile.datum_mm <= 0 else {"floor_mm": -profile.datum_mm}
    width = float(widths.pop() or 0.0)
    return Slice(
        tuple(bottoms),
        width,
        tank.wall_mm,
        wall_permittivity,
        top,
        depth_mm,
        frequency_hz=frequency_hz,
        shield=shield,
        **floor,
    )


def outlook(
    responses: Mapping[Coupling, Response],
    coupling: Coupling,
    span_mm: float,
    *,
    noise_pf: float,
    coarsest_mm: float,
    above: Disturbance,
) -> Outlook:
    """Work out what a tank would show with its liquid coupled so, for independent noise of ``noise_pf`` on
    each pad (standard deviation).
    """
    levels = np.linspace(0.0, span_mm, max(2, round(span_mm / STEP_MM) + 1))
    response = responses[coupling]
    pads = response.at(levels)
    slope = np.gradient(pads, levels, axis=0)
    resolution = np.minimum(noise_pf / np.maximum(np.sqrt((slope**2).sum(axis=1)), 1e-12), span_mm)
    seen = {
        f"film {above.film_um:g} um": response.at(levels, film_um=np.full(pads.shape, above.film_um)),
        f"foam {above.foam_mm:g} mm": response.at(
            levels, np.full(len(levels), above.foam_mm), np.full(len(levels), above.wetness)
        ),
        **{
            str(other): response_so.at(levels)
            for other, response_so in responses.items()
            if other is not coupling
        },
    }
    named = np.linspace(0.0, span_mm, FINER * (len(levels) - 1) + 1)  # whole steps would draw stairs
    clean = response.at(named)
    read_as = {what: nearest(named, clean, values) for what, values in seen.items()}
    return Outlook(levels, pads, slope, resolution, read_as, stretches(levels, resolution > coarsest_mm))


def nearest(levels: Floats, clean: Floats, seen: Floats) -> Floats:
    """The level whose clean pads (levels, pads) lie nearest to each row of ``seen`` (n, pads)."""
    # |seen|^2 - 2 seen.clean + |clean|^2, of which the first is the same for all levels: no (n, levels, pads)
    # array
    distance = (clean**2).sum(axis=1) - 2 * seen @ clean.T
    return np.asarray(levels[distance.argmin(axis=1)])


def stretches(
    levels: Floats, where: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
) -> tuple[tuple[float, float], ...]:
    """Stretches of levels at which ``where`` holds, (first, last) each."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], where, [False]]).astype(np.int8)))
    return tuple(
        (float(levels[a]), float(levels[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)
    )
