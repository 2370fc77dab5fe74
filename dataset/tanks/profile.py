"""The profile of a tank: how much liquid lies below a height, and the other way round.

A profile is a stack of sections from the lowest inner point upwards. Levels are millimetres above the datum,
volumes millilitres
above the datum: what lies below it is the dead volume. Levels outside 0 to ``height_mm`` are refused, not
extrapolated.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from dataset.canonical_text import canonical_json
from dataset.errors import InputError
from dataset.records import Tank
from dataset.tanks.lying import LyingCylinder
from dataset.tanks.quadrature import Reals
from dataset.tanks.shapes import Box, Cone, Cylinder, Dish, Section, Taper, TorisphericalDish
from dataset.tanks.strapping import Slices, Strapping

KINDS: dict[str, type[Section]] = {
    s.kind: s for s in (Box, Cylinder, Cone, Taper, Dish, TorisphericalDish, LyingCylinder, Strapping, Slices)
}
ALONE = (LyingCylinder, Strapping, Slices)  # whole tanks, not sections of a stack
MOST_SECTIONS = 64
_SLACK = 1e-9  # of the height or the volume: what rounding may add to a value at the very end
_STEPS = 200


@dataclass(frozen=True)
class Profile:
    """Sections from the lowest inner point upwards; the datum lies ``datum_mm`` above that point.

    ``scale`` is how much larger in each direction the tank is than its sections say: see ``warmed``.
    """

    sections: tuple[Section, ...]
    datum_mm: float = 0.0
    scale: float = 1.0

    def __post_init__(self) -> None:
        if not 1 <= len(self.sections) <= MOST_SECTIONS:
            raise InputError("profile", f"{len(self.sections)} sections", f"1 to {MOST_SECTIONS}")
        if len(self.sections) > 1:
            for section in self.sections:
                if isinstance(section, ALONE):
                    raise InputError(
                        "profile",
                        f"a section of kind {section.kind} in a stack",
                        "it alone: it is a whole tank",
                    )
        tall = sum(s.tall_mm for s in self.sections)
        if not 0 <= self.datum_mm < tall:
            raise InputError(
                "profile, datum",
                f"{self.datum_mm:g}",
                f"at least 0 and below the tank's inner height, {tall:g} mm",
            )
        if not 0.5 < self.scale < 2:
            raise InputError(
                "profile, expansion",
                f"a factor of {self.scale:g}",
                "between 0.5 and 2",
                "check the coefficient and the temperatures",
            )

    @property
    def height_mm(self) -> float:
        """Inner height above the datum."""
        return (sum(s.tall_mm for s in self.sections) - self.datum_mm) * self.scale

    @property
    def dead_volume_ml(self) -> float:
        """Volume below the datum."""
        first = self.sections[0]
        unmeasured = first.volume_ml[0] if isinstance(first, Strapping) else 0.0
        return (float(self._below(np.array([self.datum_mm]))[0]) / 1000 + unmeasured) * self.scale**3

    @property
    def total_ml(self) -> float:
        """Volume between datum and top."""
        return self.volume_ml(self.height_mm)

    @overload
    def volume_ml(self, level_mm: float) -> float: ...
    @overload
    def volume_ml(self, level_mm: NDArray[Any]) -> Reals: ...
    def volume_ml(self, level_mm: float | NDArray[Any]) -> float | Reals:
        """Volume between the datum and ``level_mm``, of a number or of an array of any shape.

        Raises InputError where a level isn't within 0 to ``height_mm``.
        """
        z = self._inner(level_mm)
        return _as(
            level_mm, (self._below(z) - self._below(np.array([self.datum_mm]))) * (self.scale**3 / 1000)
        )

    @overload
    def area_mm2(self, level_mm: float) -> float: ...
    @overload
    def area_mm2(self, level_mm: NDArray[Any]) -> Reals: ...
    def area_mm2(self, level_mm: float | NDArray[Any]) -> float | Reals:
        """Area of the free surface at ``level_mm``: dV/dh in mm3 per mm; where two sections meet, that of the
        upper one.

        Raises InputError where a level isn't within 0 to ``height_mm``.
        """
        return _as(level_mm, self._cut(self._inner(level_mm)) * self.scale**2)

    @overload
    def level_mm(self, volume_ml: float) -> float: ...
    @overload
    def level_mm(self, volume_ml: NDArray[Any]) -> Reals: ...
    def level_mm(self, volume_ml: float | NDArray[Any]) -> float | Reals:
        """Level above the datum at which ``volume_ml`` lies between the two: the inverse of ``volume_ml``.

        Raises InputError where a volume isn't within 0 to ``total_ml``.
        """
        asked = np.atleast_1d(np.asarray(volume_ml, dtype=np.float64)).ravel()
        total = self.total_ml
        _within("volume", asked, total, "mL")
        z = self._solve(np.clip(asked, 0.0, total) * (1000 / self.scale**3))
        return _as(volume_ml, np.clip((z - self.datum_mm) * self.scale, 0.0, self.height_mm))

    def warmed(self, kelvin: float, expansion_per_k: float) -> Profile:
        """The profile of the tank ``kelvin`` warmer than its sections are measured at.

        It grows alike in every direction by the linear coefficient: lengths by 1 + expansion x kelvin, areas
        and volumes by its square and cube.
        """
        return replace(self, scale=self.scale * (1 + expansion_per_k * kelvin))

    @property
    def upright(self) -> bool:
        """Whether the area is the same at every height, as in a prism that stands upright."""
        prisms = [s for s in self.sections if isinstance(s, Box | Cylinder)]
        return len(prisms) == len(self.sections) and len({s.coefficients() for s in prisms}) == 1

    def _inner(self, level_mm: float | NDArray[Any]) -> Reals:
        """Heights above the lowest inner point of the unscaled tank, (n,)."""
        asked = np.atleast_1d(np.asarray(level_mm, dtype=np.float64)).ravel()
        _within("level", asked, self.height_mm, "mm")
        top = sum(s.tall_mm for s in self.sections)
        return np.clip(asked / self.scale + self.datum_mm, self.datum_mm, top)

    def _below(self, z: Reals) -> Reals:
        """Volume in mm3 below ``z`` above the lowest inner point."""
        total, bottom = np.zeros_like(z), 0.0
        for section in self.sections:
            total = total + section.volume(np.clip(z - bottom, 0.0, section.tall_mm))
            bottom += section.tall_mm
        return total

    def _cut(self, z: Reals) -> Reals:
        area, bottom = np.zeros_like(z), 0.0
        for section in self.sections:
            inside = z >= bottom
            area = np.where(inside, section.area(np.clip(z - bottom, 0.0, section.tall_mm)), area)
            bottom += section.tall_mm
        return area

    def _solve(self, wanted: Reals) -> Reals:
        """Heights with ``wanted`` mm3 above the datum: Newton's steps inside a bracket that is halved where
        they leave it.
        """
        start, top = self.datum_mm, sum(s.tall_mm for s in self.sections)
        base = self._below(np.array([start]))
        whole = self._below(np.array([top])) - base
        low, high = np.full_like(wanted, start), np.full_like(wanted, top)
        z = start + (top - start) * np.clip(wanted / whole, 0.0, 1.0)
        for _ in range(_STEPS):
            over = self._below(z) - base - wanted
            low, high = np.where(over <= 0, z, low), np.where(over >= 0, z, high)
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                newton = z - over / self._cut(z)
            there = (newton == z) | (np.abs(over) <= 2e-16 * wanted)
            inside = (newton > low) & (newton < high)
            following = np.where(there, z, np.where(inside, newton, (low + high) / 2))
            near = np.abs(following - z) / np.abs(following - start).clip(1e-300)
            z = following
            # a Newton step this short leaves an error of about its square
            if np.all(there | np.where(inside, near <= 1e-10, near <= 1e-15)):
                break
        return np.where(wanted <= 0, start, np.where(wanted >= whole, top, z))


def _within(what: str, values: Reals, most: float, unit: str) -> None:
    wrong = ~((values >= -_SLACK * most) & (values <= most * (1 + _SLACK)))
    if wrong.any():
        raise InputError(what, f"{values[wrong][0]:g}", f"within the tank's profile, 0 to {most:g} {unit}")


def _as(given: float | NDArray[Any], values: Reals) -> float | Reals:
    return values.reshape(given.shape) if isinstance(given, np.ndarray) else float(values[0])


def to_json(profile: Profile) -> str:
    """The profile as canonical JSON, which the store keeps."""
    return canonical_json({"datum_mm": profile.datum_mm, "sections": [s.facts() for s in profile.sections]})


def from_json(text: str) -> Profile:
    """The profile that ``to_json`` wrote.

    Raises InputError where the text is no profile.
    """
    try:
        body = json.loads(text)
        return Profile(tuple(_section(facts) for facts in body["sections"]), body["datum_mm"])
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            "profile", f"text that holds none ({error})", "canonical JSON as innage writes it"
        ) from error


def _section(facts: dict[str, Any]) -> Section:
    values = {key: _frozen(value) for key, value in facts.items() if key != "kind"}
    return KINDS[facts["kind"]](**values)


def _frozen(value: Any) -> Any:
    return tuple(_frozen(v) for v in value) if isinstance(value, list) else value


def profile_of(tank: Tank, temperature_c: float | None = None) -> Profile:
    """The profile of a tank revision; with ``temperature_c`` of the tank, as large as it then is.

    The temperature only matters where the tank has an expansion coefficient; without one the tank is taken
    as rigid. Raises InputError where the tank has no profile.
    """
    if tank.profile is None:
        adding = f"Store.add_tank('{tank.name}', ...)"
        raise InputError(
            f"tank {tank.ref}",
            "has no profile, so levels and volumes can't be converted",
            "",
            f"add a revision of the tank with its shape: {adding}",
            fields=(adding,),
        )
    profile = from_json(tank.profile)
    if temperature_c is None or tank.expansion_per_k is None or tank.reference_c is None:
        return profile
    return profile.warmed(temperature_c - tank.reference_c, tank.expansion_per_k)


def level_at_pad_mm(profile: Profile, level_mm: float, tilt_deg: float, pad_offset_mm: float) -> float:
    """Level in the tank's own coordinate at a pad, when a tank that holds ``level_mm`` upright is tilted.

    The free surface turns about the tilt axis through the middle of the cut, so the level at a pad
    ``pad_offset_mm`` beside that axis (towards the low side) is higher by offset x tan(angle). That holds in
    an upright prism whose surface touches neither floor nor lid.

    Raises InputError for other shapes, and where the surface would reach floor or lid within the pad's
    distance on either side.
    """
    if not profile.upright:
        raise InputError(
            "tilt", "a tank whose area changes with height", "an upright prism (box or cylinder)"
        )
    if not abs(tilt_deg) < 90:
        raise InputError("tilt", f"{tilt_deg:g} degrees", "less than 90")
    shift = pad_offset_mm * float(np.tan(np.radians(tilt_deg)))
    if level_mm - abs(shift) < 0 or level_mm + abs(shift) > profile.height_mm:
        raise InputError(
            "tilt",
            f"the surface reaches {level_mm - abs(shift):g} to {level_mm + abs(shift):g} mm",
            f"within 0 to {profile.height_mm:g} mm",
        )
    return level_mm + shift


def stack(sections: Sequence[Section], datum_mm: float = 0.0) -> Profile:
    """A profile of ``sections`` from the bottom upwards."""
    return Profile(tuple(sections), datum_mm)
