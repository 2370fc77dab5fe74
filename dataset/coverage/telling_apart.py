"""Whether film and foam of a liquid can be told from the liquid itself at the frequencies that a sensor's
pads are read at.

Below f_c = sigma / (2 pi eps0 eps_r) a liquid is a conductor to the field, above it a dielectric. A
conducting film or foam still closes the field lines like the bulk liquid: what a pad sees through the wall is
then set by the wall, and a thin layer reads full.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from dataset.errors import InputError
from dataset.labels.liquids import permittivity
from dataset.records import Liquid, PadRole, Sensor, hertz

EPS0 = 8.8541878128e-12  # F/m, CODATA 2018
ROOM_C = 25.0
# Fractions of f_c between which a foam of 5 % liquid reads 0.95 and 0.5 of the full liquid, rounded, from
# field computations: coplanar pads 10 mm wide and 4 mm apart, a 2 mm wall of relative permittivity 2.3,
# floating liquid.
ALIKE_BELOW = 1 / 30
APART_ABOVE = 1 / 4


class Telling(StrEnum):
    """What a pad at one frequency can say about film and foam."""

    ALIKE = "cannot be told from the liquid"
    HARDLY = "can hardly be told from the liquid"
    APART = "can be told from the liquid"
    UNKNOWN = "cannot be judged"


@dataclass(frozen=True)
class Judgement:
    """For a liquid on a sensor: ``crossover_hz`` (f_c, None where unknown), what each frequency can tell, and
    a sentence.
    """

    liquid: str
    sensor: str
    crossover_hz: float | None
    frequencies: tuple[tuple[float, Telling], ...]
    best: Telling
    sentence: str


def crossover_hz(conductivity: float, relative_permittivity: float) -> float:
    """The frequency at which conduction and displacement currents are equal; ``conductivity`` in S/m."""
    return conductivity / (2 * math.pi * EPS0 * relative_permittivity)


def telling(frequency_hz: float, crossover: float) -> Telling:
    """What a pad that is read at ``frequency_hz`` can tell of a liquid with this f_c."""
    if frequency_hz < crossover * ALIKE_BELOW:
        return Telling.ALIKE
    return Telling.HARDLY if frequency_hz < crossover * APART_ABOVE else Telling.APART


def judge(liquid: Liquid, sensor: Sensor) -> Judgement:
    """Judge film and foam of ``liquid`` on ``sensor``."""
    name = sensor.ref
    start = f"film and foam of {liquid.name} on {name}"
    frequencies = sorted(
        {p.frequency_hz for p in sensor.pads if p.role is PadRole.LEVEL and p.frequency_hz is not None}
    )
    missing = _missing(liquid) + ([] if frequencies else ["the sensor's frequency"])
    if missing:
        lacking = f"{' and '.join(missing)} not known" + (
            "" if frequencies else "; a revision of the sensor can state it, pad by pad"
        )
        return Judgement(
            liquid.name, name, None, (), Telling.UNKNOWN, f"{start} {Telling.UNKNOWN}: {lacking}"
        )
    crossover = crossover_hz(liquid.conductivity or 0.0, _permittivity(liquid))
    told = tuple((f, telling(f, crossover)) for f in frequencies)
    best = told[-1][1]  # the higher, the better
    f_c = f"{liquid.name} conducts up to f_c = {_round(crossover)}"
    read = f"read at {', '.join(_round(f) for f in frequencies)}"
    consequence = {
        Telling.ALIKE: "foam, and a film of 0.1 mm, read full however many sessions there are; "
        f"{_round(crossover * APART_ABOVE)} and more would tell",
        Telling.HARDLY: "foam of 5 % liquid still reads half to nearly full; "
        f"{_round(crossover * APART_ABOVE)} and more would tell",
        Telling.APART: "sessions with foam and film can teach the difference",
    }[best]
    return Judgement(
        liquid.name, name, crossover, told, best, f"{start} {best}: {f_c}, the pads are {read}; {consequence}"
    )


def _missing(liquid: Liquid) -> list[str]:
    missing = ["the liquid's conductivity"] if liquid.conductivity is None else []
    try:
        _permittivity(liquid)
    except InputError:
        missing.append("its permittivity" if missing else "the liquid's permittivity")
    return missing


def _permittivity(liquid: Liquid) -> float:
    return permittivity(liquid, ROOM_C if liquid.temperature_c is None else liquid.temperature_c)


def _round(frequency_hz: float) -> str:
    return (
        hertz(float(f"{frequency_hz:.3g}")).replace("kHz", " kHz").replace("MHz", " MHz")
        if frequency_hz >= 1e3
        else f"{frequency_hz:.3g} Hz"
    )
