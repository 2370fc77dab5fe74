"""Lying cylinders, with the ends that closed tanks have. Millimetres, mm2 and mm3 throughout.

The horizontal cut of a lying tank is known in closed form (in one integral for the knuckle of a
torispherical end); the volume is its integral over the height, so near empty and near full it is as exact as
elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dataset.errors import InputError
from dataset.tanks.quadrature import Reals, integral
from dataset.tanks.shapes import Section, Torisphere, one_of, positive
from dataset.values import MAX_MM

FORMS = ("flat", "ellipsoidal", "torispherical", "spherical", "conical")
_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(40)


@dataclass(frozen=True)
class LyingCylinder(Section):
    """A cylinder on its side; ``length_mm`` is that of its straight part.

    ``end`` is the form of both ends. Ellipsoidal, spherical and conical ones bulge by ``depth_mm``; of a
    torispherical one the dish's radius is ``f`` D and the knuckle's ``k`` D.
    """

    kind = "lying-cylinder"
    diameter_mm: float
    length_mm: float
    end: str = "flat"
    depth_mm: float = 0.0
    f: float = 0.0
    k: float = 0.0

    def __post_init__(self) -> None:
        positive("lying cylinder", diameter=self.diameter_mm, length=self.length_mm)
        one_of("lying cylinder, ends", self.end, FORMS)
        if self.end in ("ellipsoidal", "spherical", "conical"):
            most = self.diameter_mm / 2 if self.end == "spherical" else MAX_MM
            if not 0 < self.depth_mm <= most:
                raise InputError(
                    f"lying cylinder, depth of the {self.end} ends",
                    f"{self.depth_mm:g}",
                    f"more than 0 and at most {most:g} mm",
                )
        if self.end == "torispherical":
            Torisphere(self.diameter_mm, self.f, self.k)

    @property
    def tall_mm(self) -> float:
        return self.diameter_mm

    def area(self, z: Reals) -> Reals:
        """Width times length, and twice the cut through an end."""
        off, half = self._place(z)
        return 2 * half * self.length_mm + 2 * self._end(off, half)

    def volume(self, z: Reals) -> Reals:
        """Below the middle the integral of the area from the bottom; above it, what the empty top leaves."""
        radius = self.diameter_mm / 2
        below = self._lower(np.minimum(z, self.diameter_mm - z))
        return np.where(z <= radius, below, 2 * self._lower(np.array([radius])) - below)

    def _lower(self, z: Reals) -> Reals:
        """Volume below ``z`` at or below the middle, cut where the ends' dish begins."""
        radius = self.diameter_mm / 2
        seam = (
            radius - Torisphere(self.diameter_mm, self.f, self.k).seam[0]
            if self.end == "torispherical"
            else radius
        )
        return integral(self.area, 0.0, np.minimum(z, seam)) + integral(self.area, seam, np.maximum(z, seam))

    def _place(self, z: Reals) -> tuple[Reals, Reals]:
        """Distance from the axis's plane, and half the width there."""
        return np.abs(self.diameter_mm / 2 - z), np.sqrt(np.maximum(z * (self.diameter_mm - z), 0.0))

    def _end(self, off: Reals, half: Reals) -> Reals:
        """Area of the horizontal cut through one end, ``off`` from the axis's plane, where the tank is 2
        ``half`` wide.
        """
        radius, depth = self.diameter_mm / 2, self.depth_mm
        if self.end == "ellipsoidal":
            return np.pi / 2 * depth / radius * half**2  # half an ellipse
        if self.end == "conical":
            # 2 int_0^half a (1 - sqrt(off2 + u2) / R) du
            return depth * (half - off**2 / radius * np.arcsinh(half / np.maximum(off, 1e-300)))
        if self.end == "spherical":
            back = (radius**2 - depth**2) / (2 * depth)
            return _cap(half, off, back + depth, back)
        if self.end == "torispherical":
            return self._torispherical(off, half)
        return np.zeros_like(off)

    def _torispherical(self, off: Reals, half: Reals) -> Reals:
        """The dish as a cap of a sphere; the knuckle, whose cut has no elementary area, by Gauss-Legendre
        points.
        """
        end = Torisphere(self.diameter_mm, self.f, self.k)
        edge = np.sqrt(np.maximum(end.seam[0] ** 2 - off**2, 0.0))  # half the width of the dish
        # u = half - (half - edge) t2 takes the square root out of the integrand
        t = (_GAUSS_X + 1) / 2
        wide = (half - edge)[..., None]
        u = half[..., None] - wide * t**2
        rho = np.sqrt(off[..., None] ** 2 + u**2)
        # (R - rho)(R + rho) = half2 - u2, without taking near equals from each other
        left = wide * t**2 * (half[..., None] + u) / (end.diameter_mm / 2 + rho)
        bulge = np.sqrt(np.maximum(left * (rho - end.ring + end.knuckle), 0.0))
        knuckle = 2 * np.sum(bulge * wide * 2 * t * _GAUSS_W / 2, axis=-1)
        return np.asarray(_cap(edge, off, end.dish, end.back) + knuckle)


def _cap(half: Reals, off: Reals, sphere: float, back: float) -> Reals:
    """2 int_0^half (sqrt(sphere2 - off2 - u2) - back) du: a strip of the circle in which a sphere is cut."""
    square = sphere**2 - off**2
    rest = np.sqrt(np.maximum(square - half**2, 0.0))
    return np.asarray(half * rest + square * np.arctan2(half, rest) - 2 * back * half)
