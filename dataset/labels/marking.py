"""Level marks from what was read at the bench: a level column, a mass on the scale, a volume poured in.

Mass becomes volume through the liquid's density at its temperature and the buoyancy of the air, volume
becomes level through the tank's profile. The level is the one that the volume has in the tank, not the height
of the meniscus at the wall.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError, naming
from dataset.files.stretches import StretchLine, read_stretch_lines
from dataset.labels.liquids import density
from dataset.labels.uncertainty import Quantity, Result, propagate, rectangular
from dataset.records import Frames, Liquid, Mark, Tank
from dataset.tanks.profile import Profile, profile_of
from dataset.values import check_number

AIR_DENSITY = 1.2  # kg/m3, as OIML D 28 agrees on for weighing in air
WEIGHT_DENSITY = 8000.0  # kg/m3 of the weights that scales are adjusted with, OIML D 28


Run = tuple[int, int, float]  # start, stop (excluded), reading


class Method(StrEnum):
    """Where a mark's level came from, when it is not a level column."""

    MASS = "mass"
    POURED = "poured"


@dataclass(frozen=True)
class Labelling:
    """How readings of a scale or a measuring cylinder become levels; half-widths are of rectangular
    distributions.

    ``tare_g`` is what the scale shows with the tank empty; poured volumes count from there too. The dead
    volume below the datum fills first. ``temperature_c`` is the liquid's where frames have none of their own.
    ``dimension_half_width_mm`` is of the tank's inner diameter, or of the diameter of the circle of equal
    area. ``scale_u_g``, ``poured_u_ml``, ``temperature_u_k`` and ``level_u_common_mm`` are standard
    uncertainties of the instruments' calibrations, common to all marks; ``level_half_width_mm`` is of levels
    that are read off.
    """

    liquid: Liquid
    tare_g: float = 0.0
    scale_half_width_g: float = 0.0
    poured_half_width_ml: float = 0.0
    dimension_half_width_mm: float = 0.0
    temperature_c: float | None = None
    temperature_half_width_k: float = 0.0
    air_density: float = AIR_DENSITY
    scale_u_g: float = 0.0
    poured_u_ml: float = 0.0
    temperature_u_k: float = 0.0
    level_u_common_mm: float = 0.0
    level_half_width_mm: float = 0.0

    @property
    def temperature_u(self) -> float:
        """Standard uncertainty of the liquid's temperature, K."""
        return math.hypot(rectangular(self.temperature_half_width_k), self.temperature_u_k)

    def level_u(self, stated: float | None) -> float | None:
        """Standard uncertainty of a level that is read off, mm: as it is stated, or by the resolution."""
        return stated if stated is not None else rectangular(self.level_half_width_mm) or None


def buoyancy(liquid_density: float, air_density: float = AIR_DENSITY) -> float:
    """Factor from what a scale shows to mass: (1 - air/weights) / (1 - air/liquid), densities in kg/m3 (ISO
    4787 has the same factor).
    """
    return (1 - air_density / WEIGHT_DENSITY) / (1 - air_density / liquid_density)


def level_of(
    where: str, method: Method, reading: float, temperature_c: float | None, tank: Tank, labelling: Labelling
) -> Result:
    """The level in mm at which the liquid stands, with its standard uncertainty.

    Errors of the tank's dimension, of the thermometer and of calibrations are the same at every mark of a
    session, so they are its common part; those of reading scale and measuring cylinder are independent.

    Args:
        where: names the reading in errors.
        method: what the reading is of.
        reading: grams on the scale, or mL poured in so far.
        temperature_c: of the liquid; None where it was not measured.
        tank: its profile turns volume into level.
        labelling: tare and half-widths.

    Raises:
        InputError: no density or profile to go by, or liquid that would stand below the datum or above the
            tank's span.
    """
    warm = labelling.temperature_c if temperature_c is None else temperature_c
    if warm is None and labelling.temperature_u:
        raise InputError(
            where,
            "no temperature of the liquid",
            "a column of temperature, or Labelling.temperature_c",
            fields=("Labelling.temperature_c",),
        )
    read, profile = _amount(method, reading, labelling), profile_of(tank, warm)
    dead_ml = profile.dead_volume_ml if tank.dead_volume_ml is None else tank.dead_volume_ml

    def volume_ml(amount: float, temperature: float | None) -> float:
        return _poured_ml(method, amount, temperature, labelling) - dead_ml

    volume = volume_ml(read.value, warm)
    if not 0 <= volume <= profile.total_ml:
        unit = "g" if method is Method.MASS else "mL"
        raise InputError(
            where,
            f"{reading:g} {unit}, which is {volume:.4g} mL above the datum",
            f"0 to {profile.total_ml:.4g} mL, as the profile of tank {tank.ref} holds",
            "check tare and tank",
        )
    diameter_mm = math.sqrt(4 / math.pi * profile.area_mm2(profile.level_mm(volume)))

    def level(
        amount: float, wider: float, temperature: float | None = warm, calibration: float = 0.0
    ) -> float:
        # a tank that is wider everywhere holds the same level with more: areas go with the square of the
        # diameter
        growth = (1 + wider / diameter_mm) ** 2 if diameter_mm else 1.0
        return _level(profile_of(tank, temperature), volume_ml(amount + calibration, temperature) / growth)

    half_width = labelling.dimension_half_width_mm
    inputs = {"amount": read, "wider": Quantity(0.0, rectangular(half_width), common=True)}
    if warm is not None:
        inputs["temperature"] = Quantity(warm, labelling.temperature_u, common=True)
    calibration = labelling.scale_u_g if method is Method.MASS else labelling.poured_u_ml
    if calibration:
        inputs["calibration"] = Quantity(0.0, calibration, common=True)
    stands = propagate(level, inputs)
    if stands.value > tank.span_mm:
        raise InputError(
            where,
            f"a level of {stands.value:.4g} mm",
            f"0 to {tank.span_mm:g} mm, the span of tank {tank.ref}",
        )
    return stands


def _amount(method: Method, reading: float, labelling: Labelling) -> Quantity:
    """What was read, less the tare: g on the scale, or mL poured."""
    if method is Method.MASS:
        return Quantity(reading - labelling.tare_g, rectangular(labelling.scale_half_width_g))
    return Quantity(reading, rectangular(labelling.poured_half_width_ml))


def _poured_ml(method: Method, amount: float, temperature_c: float | None, labelling: Labelling) -> float:
    """The volume of an amount: of so many g by density and buoyancy, of mL poured itself."""
    if method is not Method.MASS:
        return amount
    liquid_density = density(labelling.liquid, temperature_c)
    return amount * (buoyancy(liquid_density, labelling.air_density) / liquid_density * 1000)


def marks_of_runs(
    place: Callable[[int], str],
    method: Method,
    readings: Iterable[Run],
    warm: Callable[[int, int], NDArray[np.float64]] | None,
    tank: Tank,
    labelling: Labelling,
) -> tuple[Mark, ...]:
    """A mark for every run of frames with one reading.

    Args:
        place: names a frame in errors.
        method: what the readings are of.
        readings: the runs, as :class:`Runs` gives them.
        warm: gives the temperatures of frames from one to another, excluded, NaN where not measured; a run
            goes by their mean. None: not measured at all.
        tank: as in :func:`level_of`.
        labelling: as in :func:`level_of`.
    """
    return tuple(
        _mark(
            place(start),
            start,
            stop,
            method,
            reading,
            np.empty(0) if warm is None else warm(start, stop),
            tank,
            labelling,
        )
        for start, stop, reading in readings
    )


def _mark(
    where: str,
    start: int,
    stop: int,
    method: Method,
    reading: float,
    temperature_c: NDArray[np.float64],
    tank: Tank,
    labelling: Labelling,
) -> Mark:
    """The mark of one reading, at the mean of the temperatures that were measured."""
    warm = float(np.nanmean(temperature_c)) if np.isfinite(temperature_c).any() else None
    level = level_of(where, method, reading, warm, tank, labelling)
    return Mark(
        start, stop, round(level.value, 6), level.u or None, level.u_common or None, None, method.value
    )


class Runs:
    """Runs of frames with equal readings, which come part by part; NaN belongs to no run."""

    def __init__(self) -> None:
        self._starts: list[NDArray[np.int64]] = []
        self._readings: list[NDArray[np.float64]] = []
        self._frames, self._last = 0, np.empty(0)

    def add(self, readings: NDArray[np.float64]) -> Runs:
        """The readings of the next frames, float64 (n,)."""
        known = ~np.isnan(np.concatenate((self._last, readings)))
        keyed = np.where(known, np.concatenate((self._last, readings)), 0.0)
        other = (keyed[1:] != keyed[:-1]) | (known[1:] != known[:-1])
        begins = np.flatnonzero(
            other if len(self._last) else np.concatenate(([True], other))[: len(readings)]
        )
        self._starts.append(begins + self._frames)
        self._readings.append(readings[begins])
        self._frames, self._last = (
            self._frames + len(readings),
            readings[-1:] if len(readings) else self._last,
        )
        return self

    def all(self) -> list[Run]:
        """Start and stop of each run, and its reading."""
        starts = np.concatenate([np.empty(0, np.int64), *self._starts])
        readings = np.concatenate([np.empty(0), *self._readings])
        stops = np.append(starts[1:], self._frames)
        known = ~np.isnan(readings)
        each = (starts[known].tolist(), stops[known].tolist(), readings[known].tolist())
        return list(zip(*each, strict=True))


def _level(profile: Profile, volume_ml: float) -> float:
    """The level of a volume; beyond its ends the tank is thought to go on with the area that it ends with."""
    inside = min(max(volume_ml, 0.0), profile.total_ml)
    end = profile.level_mm(inside)
    area = profile.area_mm2(end)
    return end + ((volume_ml - inside) * 1000 / area if area else 0.0)


def check_labelling(labelling: Labelling) -> None:
    """Half-widths of 0 or more, and air that is lighter than any liquid."""
    for field in (
        "scale_half_width_g",
        "poured_half_width_ml",
        "dimension_half_width_mm",
        "temperature_half_width_k",
        "scale_u_g",
        "poured_u_ml",
        "temperature_u_k",
        "level_u_common_mm",
        "level_half_width_mm",
    ):
        with naming(field):
            check_number(field, getattr(labelling, field), 0, 1e6)
    with naming("air_density"):
        check_number("air_density", labelling.air_density, 0, 10, unit="kg/m3")


MARK_COLUMNS = ("level_mm", "level_stop_mm", "mass_g", "poured_ml", "u_mm", "u_common_mm")


def read_marks(path: Path, frames: Frames, tank: Tank, labelling: Labelling) -> tuple[Mark, ...]:
    """Marks from a CSV file, one a line; a line without a level, mass or volume gives no mark.

    Args:
        path: columns ``from`` and ``to`` (frames) or ``from_ms`` and ``to_ms``, both ends included, and any
            of ``level_mm`` (with ``level_stop_mm`` a ramp from one to the other), ``mass_g``, ``poured_ml``,
            ``u_mm``, ``u_common_mm``.
        frames: the session's.
        tank: gives the profile for masses and volumes.
        labelling: how masses and volumes become levels, and their uncertainty.

    Raises:
        InputError: the first fault, with file, line and column.
    """
    marks = [
        _line_mark(line, frames, tank, labelling)
        for line in read_stretch_lines(path, MARK_COLUMNS, frames.t_ms)
    ]
    return tuple(mark for mark in marks if mark is not None)


def _line_mark(line: StretchLine, frames: Frames, tank: Tank, labelling: Labelling) -> Mark | None:
    values = {column: value for column in MARK_COLUMNS if (value := line.number(column)) is not None}
    sources = [column for column in ("level_mm", "mass_g", "poured_ml") if column in values]
    if not sources and not values:
        return None
    if len(sources) != 1:
        raise InputError(line.where, "columns " + ", ".join(values), "one of level_mm, mass_g and poured_ml")
    if sources == ["level_mm"]:
        return Mark(
            line.start,
            line.stop,
            values["level_mm"],
            labelling.level_u(values.get("u_mm")),
            values.get("u_common_mm", labelling.level_u_common_mm or None),
            values.get("level_stop_mm"),
        )
    if len(values) > 1:
        raise InputError(
            line.where,
            "columns " + ", ".join(values),
            f"{sources[0]} alone: its uncertainty follows from the half-widths",
        )
    method = Method.MASS if sources == ["mass_g"] else Method.POURED
    measured_c = np.empty(0) if frames.temperature_c is None else frames.temperature_c[line.start : line.stop]
    return _mark(
        line.place(sources[0]), line.start, line.stop, method, values[sources[0]], measured_c, tank, labelling
    )


def amended(where: str, marks: Sequence[Mark], start: int, stop: int, new: Mark | None) -> tuple[Mark, ...]:
    """The marks with frames ``start`` to ``stop`` under ``new``, or under no mark; static marks that reach
    further keep the rest.

    Raises:
        InputError: a ramp would be cut.
    """
    kept: list[Mark] = []
    for mark in marks:
        if mark.stop <= start or mark.start >= stop:
            kept.append(mark)
            continue
        inside = start <= mark.start and mark.stop <= stop
        if mark.level_stop_mm is not None and not inside:
            raise InputError(
                where,
                f"frames {start} to {stop - 1} would cut the ramp over {mark.start} to {mark.stop - 1}",
                "all of a ramp, or none of it",
            )
        kept += [replace(mark, stop=start)] if mark.start < start else []
        kept += [replace(mark, start=stop)] if mark.stop > stop else []
    return tuple(sorted([*kept, *([new] if new is not None else [])], key=lambda mark: mark.start))
