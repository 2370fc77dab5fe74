"""What a tank and a pad layout would show, from the field solution, before either exists."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError
from dataset.records import CountLaw, Coupling, Mounting, Pad, Sensor, Tank, hertz
from innage.jobs import Progress, silent

if TYPE_CHECKING:
    from dataset.rig.media import Medium
    from dataset.rig.outlook import Disturbance, Outlook
    from dataset.rig.slices import Slice
    from dataset.store import Store

CAUTION = (
    "simulated: a two-dimensional field solution, for choosing between layouts; not a figure of accuracy"
)
_USUAL_HZ = 1e6  # where neither the call nor a pad says its frequency
_NOISE_PF = 1e-3  # of a board whose counts are not known: 1 fF


@dataclass(frozen=True)
class Layout:
    """What is tried: a ``mounting`` of the store, with another wall or offset where they are given; or, with
    ``pads``, a tank of the store under that name; or one that is not stored, of ``span_mm``, ``wall_mm`` and
    ``pads``. Lengths in mm.
    """

    mounting: str | None = None
    span_mm: float | None = None
    wall_mm: float | None = None
    pads: tuple[Pad, ...] = ()
    offset_mm: float | None = None
    pad_width_mm: float | None = None
    wall_permittivity: float = 2.3
    depth_mm: float = 80.0
    shield: bool = True


@dataclass(frozen=True)
class Filling:
    """What is in it: a ``liquid`` of the store, or its permittivity and conductivity in S/m; the frequency of
    excitation, None for the pads' own; how the liquid is joined to earth.
    """

    liquid: str | None = None
    permittivity: float = 78.4
    conductivity: float = 0.05
    frequency_hz: float | None = None
    coupling: Coupling = Coupling.FLOATING


@dataclass(frozen=True)
class Reading:
    """How it is read: the board's counts for one pF, None where not known, the standard deviation of a pad's
    count, and the resolution from which on a level is called blind.
    """

    counts_per_pf: float | None = None
    noise_counts: float = 1.0
    coarsest_mm: float = 1.0


@dataclass(frozen=True)
class Tried:
    """What was found: the cross-section that was solved, its level pads by name, and the outlook; ``noise``
    says in words for which noise the resolution holds.
    """

    title: str
    coupling: Coupling
    section: Slice
    pads: tuple[str, ...]
    outlook: Outlook
    noise: str
    coarsest_mm: float

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        outlook = self.outlook
        return {
            "simulated": True,
            "caution": CAUTION,
            "pads": list(self.pads),
            "noise": self.noise,
            "level_mm": outlook.levels.tolist(),
            "self_capacitance_pf": outlook.pads.tolist(),
            "slope_pf_per_mm": outlook.slope.tolist(),
            "resolution_mm": outlook.resolution.tolist(),
            "coarsest_mm": self.coarsest_mm,
            "blind_mm": [list(stretch) for stretch in outlook.blind],
            "read_as_mm": {what: read.tolist() for what, read in outlook.read_as.items()},
        }


def try_layout(
    opened: Callable[[], Store],
    layout: Layout,
    filling: Filling,
    reading: Reading,
    above: Disturbance,
    progress: Progress = silent,
) -> Tried:
    """Solve the field of a tank with pads, and say what would be read.

    Args:
        opened: gives the store; asked only where a mounting or a liquid is named.
        layout: tank and pads.
        filling: the liquid.
        reading: the board.
        above: film and foam above the liquid.
        progress: told how far it is.

    Raises:
        InputError: values that nothing can be solved for. NotFoundError: a name that the store does not have.
    """
    from dataset.rig.outlook import level_pads, outlook, slice_of
    from dataset.rig.response import response_table

    noise_pf, noise = _noise(reading)
    above.check()
    _check_positive(
        wall_permittivity=layout.wall_permittivity,
        depth_mm=layout.depth_mm,
        coarsest_mm=reading.coarsest_mm,
        permittivity=filling.permittivity,
        frequency_hz=filling.frequency_hz,
        span_mm=layout.span_mm,
        wall_mm=layout.wall_mm,
    )
    mounting = _mounting(opened, layout)
    medium = _medium(opened, filling)
    of_pads = next((pad.frequency_hz for pad in mounting.sensor.pads if pad.frequency_hz), None)
    frequency = filling.frequency_hz or of_pads or _USUAL_HZ
    section = slice_of(
        mounting,
        wall_permittivity=layout.wall_permittivity,
        depth_mm=layout.depth_mm,
        frequency_hz=frequency,
        shield=layout.shield,
        pad_width_mm=layout.pad_width_mm,
    )
    responses = response_table(section, medium, mounting.tank.span_mm, progress=progress)
    shown = outlook(
        responses,
        filling.coupling,
        mounting.tank.span_mm,
        noise_pf=noise_pf,
        coarsest_mm=reading.coarsest_mm,
        above=above,
    )
    title = (
        f"{mounting.name}: liquid of permittivity {medium.permittivity:.4g} and {medium.conductivity:g} S/m, "
        f"{filling.coupling}, at {hertz(frequency)}"
    )
    pads = tuple(pad.name for pad in level_pads(mounting))
    return Tried(title, filling.coupling, section, pads, shown, noise, reading.coarsest_mm)


def _mounting(opened: Callable[[], Store], layout: Layout) -> Mounting:
    """A mounting of the store with what is changed, or one that is not stored."""
    if layout.mounting is not None:
        if layout.span_mm is not None:
            raise InputError(
                "tank try", "a mounting or tank of the store, and span_mm", "one of them", fields=("span_mm",)
            )
        if layout.pads:
            return _on_tank(opened().tank(layout.mounting), layout)
        kept = opened().mounting(layout.mounting)
        return replace(
            kept,
            tank=replace(kept.tank, wall_mm=layout.wall_mm or kept.tank.wall_mm),
            offset_mm=kept.offset_mm if layout.offset_mm is None else layout.offset_mm,
        )
    if layout.span_mm is None or layout.wall_mm is None or not layout.pads:
        raise InputError(
            "tank try",
            "no mounting",
            "the name of one, or all of span_mm, wall_mm and pad",
            fields=("span_mm", "wall_mm", "pad"),
        )
    return _on_tank(Tank("tried", 1, layout.span_mm), layout)


def _on_tank(tank: Tank, layout: Layout) -> Mounting:
    """Pads that are not stored on a tank, which has the wall that is given, or its own."""
    sensor = Sensor("tried", 1, layout.pads, 16, CountLaw.RISES, 100)
    return Mounting(
        "tried", replace(tank, wall_mm=layout.wall_mm or tank.wall_mm), sensor, layout.offset_mm or 0.0
    )


def _medium(opened: Callable[[], Store], filling: Filling) -> Medium:
    from dataset.labels.liquids import permittivity
    from dataset.rig.media import Medium

    if filling.conductivity < 0:
        raise InputError(
            "conductivity", f"{filling.conductivity:g}", "0 or more, in S/m", fields=("conductivity",)
        )
    if filling.liquid is None:
        return Medium(filling.permittivity, filling.conductivity)
    liquid = opened().liquid(filling.liquid)
    warm = 25.0 if liquid.temperature_c is None else liquid.temperature_c
    conductivity = filling.conductivity if liquid.conductivity is None else liquid.conductivity
    return Medium(permittivity(liquid, warm), conductivity)


def _noise(reading: Reading) -> tuple[float, str]:
    """The noise of a pad in pF, and in words: in counts where the board's counts per pF are known."""
    _check_positive(counts_per_pf=reading.counts_per_pf, noise_counts=reading.noise_counts)
    if reading.counts_per_pf is None:
        return _NOISE_PF, "for 1 fF of noise"
    counts = reading.noise_counts
    words = f"for {counts:g} counts of noise" if counts != 1 else "for 1 count of noise"
    return counts / reading.counts_per_pf, words


def _check_positive(**values: float | None) -> None:
    for field, value in values.items():
        if value is not None and not 0 < value < float("inf"):
            raise InputError(field, f"{value:g}", "a number above 0", fields=(field,))
