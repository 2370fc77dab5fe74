"""Sections of tanks that stand upright: what a profile is stacked of. Millimetres, mm2 and mm3 throughout.

Each section knows its height, the area of its horizontal cut at a height ``z`` above its own bottom, and the
volume below it.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import numpy as np

from dataset.errors import InputError
from dataset.tanks.quadrature import Reals, integral
from dataset.values import MAX_MM


def positive(where: str, **values: float) -> None:
    """Each of the dimensions is more than 0 and at most 100 m."""
    for name, value in values.items():
        if not 0 < value <= MAX_MM:
            raise InputError(f"{where}, {name}", f"{value:g}", f"more than 0 and at most {MAX_MM:g} mm")


class Section(ABC):
    """A part of a tank between two horizontal planes."""

    kind: ClassVar[str]

    @property
    @abstractmethod
    def tall_mm(self) -> float:
        """Its height."""

    @abstractmethod
    def area(self, z: Reals) -> Reals:
        """Area in mm2 of the horizontal cut at ``z`` mm above its bottom; shape (n,) to (n,)."""

    @abstractmethod
    def volume(self, z: Reals) -> Reals:
        """Volume in mm3 below ``z``; shape (n,) to (n,)."""

    def facts(self) -> dict[str, Any]:
        """What it is, as JSON keeps it."""
        return {"kind": self.kind, **asdict(self)}  # type: ignore[call-overload]  # each shape is a dataclass


class Quadratic(Section):
    """A section whose area is a polynomial a0 + a1 z + a2 z2: prisms, cones, and zones of spheres and
    ellipsoids.
    """

    @abstractmethod
    def coefficients(self) -> tuple[float, float, float]:
        """a0, a1, a2."""

    def area(self, z: Reals) -> Reals:
        """Area at ``z``; where it should be zero, rounding doesn't take it below."""
        a0, a1, a2 = self.coefficients()
        return np.maximum(a0 + z * (a1 + z * a2), 0.0)

    def volume(self, z: Reals) -> Reals:
        """Volume below ``z``."""
        a0, a1, a2 = self.coefficients()
        return z * (a0 + z * (a1 / 2 + z * a2 / 3))


@dataclass(frozen=True)
class Box(Quadratic):
    """A rectangular prism."""

    kind = "box"
    width_mm: float
    depth_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        positive("box", width=self.width_mm, depth=self.depth_mm, height=self.height_mm)

    @property
    def tall_mm(self) -> float:
        return self.height_mm

    def coefficients(self) -> tuple[float, float, float]:
        """Constant."""
        return self.width_mm * self.depth_mm, 0.0, 0.0


@dataclass(frozen=True)
class Cylinder(Quadratic):
    """An upright cylinder."""

    kind = "cylinder"
    diameter_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        positive("cylinder", diameter=self.diameter_mm, height=self.height_mm)

    @property
    def tall_mm(self) -> float:
        return self.height_mm

    def coefficients(self) -> tuple[float, float, float]:
        """Constant."""
        return np.pi / 4 * self.diameter_mm**2, 0.0, 0.0


@dataclass(frozen=True)
class Cone(Quadratic):
    """An upright cone or frustum; one of the diameters may be 0."""

    kind = "cone"
    bottom_mm: float
    top_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        positive("cone", height=self.height_mm, wider_diameter=max(self.bottom_mm, self.top_mm))
        if not min(self.bottom_mm, self.top_mm) >= 0:
            raise InputError("cone, diameter", f"{min(self.bottom_mm, self.top_mm):g}", "at least 0 mm")

    @property
    def tall_mm(self) -> float:
        return self.height_mm

    def coefficients(self) -> tuple[float, float, float]:
        """The square of a diameter that is linear in z."""
        d, slope = self.bottom_mm, (self.top_mm - self.bottom_mm) / self.height_mm
        return np.pi / 4 * d * d, np.pi / 2 * d * slope, np.pi / 4 * slope * slope


@dataclass(frozen=True)
class Taper(Quadratic):
    """A box whose sides lean, as moulded ones do: width and depth change linearly."""

    kind = "taper"
    bottom_width_mm: float
    bottom_depth_mm: float
    top_width_mm: float
    top_depth_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        positive(
            "taper",
            height=self.height_mm,
            bottom_width=self.bottom_width_mm,
            bottom_depth=self.bottom_depth_mm,
        )
        positive("taper", top_width=self.top_width_mm, top_depth=self.top_depth_mm)

    @property
    def tall_mm(self) -> float:
        return self.height_mm

    def coefficients(self) -> tuple[float, float, float]:
        """The product of two linear lengths."""
        w, d = self.bottom_width_mm, self.bottom_depth_mm
        dw, dd = (self.top_width_mm - w) / self.height_mm, (self.top_depth_mm - d) / self.height_mm
        return w * d, w * dd + d * dw, dw * dd


@dataclass(frozen=True)
class Dish(Quadratic):
    """An end that closes an upright cylinder below (``side`` bottom) or above (top): half an ellipsoid, or a
    cap of a sphere.

    ``depth_mm`` is how far it bulges. A spherical one is at most a half sphere.
    """

    kind = "dish"
    form: str
    diameter_mm: float
    depth_mm: float
    side: str

    def __post_init__(self) -> None:
        positive(f"{self.form} end", diameter=self.diameter_mm, depth=self.depth_mm)
        one_of("end", self.form, ("ellipsoidal", "spherical"))
        one_of(f"{self.form} end", self.side, ("bottom", "top"))
        if self.form == "spherical" and self.depth_mm > self.diameter_mm / 2:
            raise InputError(
                "spherical end, depth",
                f"{self.depth_mm:g}",
                f"at most half the diameter, {self.diameter_mm / 2:g} mm",
            )

    @property
    def tall_mm(self) -> float:
        return self.depth_mm

    def coefficients(self) -> tuple[float, float, float]:
        """With z from the tip, r2 is 2 R z - z2 on a sphere and R2 (2 z / a - z2 / a2) on an ellipsoid."""
        a, radius = self.depth_mm, self.diameter_mm / 2
        if self.form == "spherical":
            a1, a2 = np.pi * (radius**2 + a * a) / a, -np.pi  # the sphere's radius is (R2 + a2) / 2a
        else:
            a1, a2 = 2 * np.pi * radius**2 / a, -np.pi * (radius / a) ** 2
        return (0.0, a1, a2) if self.side == "bottom" else (np.pi * radius**2, -a1 - 2 * a * a2, a2)


def one_of(where: str, value: str, known: tuple[str, ...]) -> None:
    """``found`` is one of the words that are ``known``."""
    if value not in known:
        raise InputError(where, value, "one of " + ", ".join(known))


@dataclass(frozen=True)
class Torisphere:
    """The meridian of a torispherical end: a dish of radius ``f`` D and a knuckle of radius ``k`` D, tangent
    to each other.

    Jones, "Calculating tank volume", which the docstrings of the package `fluids` quote, uses the same two
    numbers.
    """

    diameter_mm: float
    f: float
    k: float

    def __post_init__(self) -> None:
        positive("torispherical end", diameter=self.diameter_mm)
        if not (0.5 < self.f <= 10 and 0 < self.k < 0.5):
            raise InputError(
                "torispherical end",
                f"dish F {self.f:g} and knuckle K {self.k:g}",
                "F above 0.5 and at most 10, K above 0 and below 0.5",
            )

    @property
    def dish(self) -> float:
        """Radius of the dish, mm."""
        return self.f * self.diameter_mm

    @property
    def knuckle(self) -> float:
        """Radius of the knuckle's section, mm."""
        return self.k * self.diameter_mm

    @property
    def ring(self) -> float:
        """Radius of the circle that the knuckle's section runs on, mm."""
        return self.diameter_mm / 2 - self.knuckle

    @property
    def back(self) -> float:
        """How far the dish's centre lies behind the end's rim, mm."""
        return float(np.sqrt((self.dish - self.knuckle) ** 2 - self.ring**2))

    @property
    def depth(self) -> float:
        """How far the end bulges, mm."""
        return self.dish - self.back

    @property
    def seam(self) -> tuple[float, float]:
        """Radius and distance from the rim where dish and knuckle meet, mm."""
        ratio = 1 / (self.dish - self.knuckle)
        return self.ring * self.dish * ratio, self.back * self.knuckle * ratio


@dataclass(frozen=True)
class TorisphericalDish(Section):
    """A torispherical end that closes an upright cylinder below (``side`` bottom) or above (top)."""

    kind = "torispherical-dish"
    diameter_mm: float
    f: float
    k: float
    side: str

    def __post_init__(self) -> None:
        one_of("torispherical end", self.side, ("bottom", "top"))
        Torisphere(self.diameter_mm, self.f, self.k)

    @property
    def tall_mm(self) -> float:
        return Torisphere(self.diameter_mm, self.f, self.k).depth

    def area(self, z: Reals) -> Reals:
        """Circle of the meridian's radius."""
        return self._area(z if self.side == "bottom" else self.tall_mm - z)

    def volume(self, z: Reals) -> Reals:
        """Volume below ``z``."""
        if self.side == "bottom":
            return self._volume(z)
        return self._volume(np.array([self.tall_mm])) - self._volume(self.tall_mm - z)

    def _area(self, z: Reals) -> Reals:
        end = Torisphere(self.diameter_mm, self.f, self.k)
        before = np.clip(
            end.depth - z, 0.0, end.knuckle
        )  # distance from the rim, as far as the knuckle can reach
        knuckle = end.ring + np.sqrt(end.knuckle**2 - before**2)
        return np.asarray(
            np.pi * np.where(end.depth - z < end.seam[1], knuckle**2, np.maximum(z * (2 * end.dish - z), 0.0))
        )

    def _volume(self, z: Reals) -> Reals:
        end = Torisphere(self.diameter_mm, self.f, self.k)
        seam = end.depth - end.seam[1]
        low = np.minimum(z, seam)
        cap = np.pi * low**2 * (end.dish - low / 3)
        return cap + integral(self._area, seam, np.maximum(z, seam))
