"""A tank in a vertical slice: carrier, shield, pads, wall, and what is inside; each pad's capacitance against
what fills the tank.

From the left: air, the carrier with a shield at its back (or none), the pads, the wall, the inside as deep as
the tank, air. Everything is taken as endless along the wall, the pads' width times that gives their
capacitance: ends of pads are left out. While one pad is measured the others are earthed, and the shield,
where there is one, is driven with the pad.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from dataset.records import Coupling
from dataset.rig.grid import Complex, Floats, Grid, Mask, Problem, graded
from dataset.rig.media import AIR, Medium, foam

FILMS_UM = (20.0, 100.0)  # thicknesses that the grid has lines for
COUPLINGS = (Coupling.FLOATING, Coupling.IMPEDANCE, Coupling.EARTHED)
_AROUND = 100.0  # mm of air around everything: fields have died away there
_FIRST, _GROWTH = (
    0.5,
    2.2,
)  # mm, the grid's step at an edge across the wall (along it 1.6 times that), and its growth from there
_LONGEST = 2.5  # mm, between levels that a pad can tell apart
_ELECTRODE = (
    0.6,
    0.9,
)  # of the tank's depth: where the heater or pump that earths the liquid lies on the floor


@dataclass(frozen=True)
class Slice:
    """Geometry in mm above the tank's datum, permittivities relative. ``pads`` are (bottom, top) of each pad,
    lowest first, all ``width_mm`` wide.

    ``floor_mm`` is where the inside begins, ``height_mm`` where it ends. ``earth_ohm`` and ``earth_farad`` in
    parallel join the liquid to earth where the coupling is an impedance.
    """

    pads: tuple[tuple[float, float], ...]
    width_mm: float
    wall_mm: float
    wall_permittivity: float
    height_mm: float
    depth_mm: float = 80.0
    floor_mm: float = -4.0
    carrier_mm: float = 0.2
    carrier_permittivity: float = 3.4
    shield: bool = True
    frequency_hz: float = 1e6
    earth_ohm: float = 100_000.0
    earth_farad: float = 20e-12


@dataclass(frozen=True)
class Content:
    """What is in the tank: liquid up to ``level_mm``, above it ``foam_mm`` of foam of a liquid fraction, a
    film on the wall above that.
    """

    level_mm: float
    foam_mm: float = 0.0
    wetness: float = 0.05
    film_um: float = 0.0


class SliceProblem:
    """A slice made ready for many contents.

    Raises ValueError when pads overlap, or lie outside the tank's height.
    """

    def __init__(self, shape: Slice, fine: float = 1.0) -> None:
        growth = 1 + (_GROWTH - 1) * fine
        edges = sorted(edge for pad in shape.pads for edge in pad)
        if list(edges) != [edge for pad in shape.pads for edge in pad] or len(set(edges)) < len(edges):
            raise ValueError("pads overlap or are out of order")
        self.slice = shape
        across = [
            0.0,
            shape.wall_mm,
            *(shape.wall_mm + um / 1000 for um in FILMS_UM),
            shape.wall_mm + shape.depth_mm,
        ]
        across += [-shape.carrier_mm]
        x = graded(
            across,
            _FIRST * fine,
            growth,
            -shape.carrier_mm - _AROUND,
            shape.wall_mm + shape.depth_mm + _AROUND,
        )
        bottom, top = min(shape.floor_mm, edges[0]) - _AROUND, max(shape.height_mm, edges[-1]) + _AROUND
        y = graded(
            [shape.floor_mm, *edges, shape.height_mm],
            1.6 * _FIRST * fine,
            growth,
            bottom,
            top,
            _LONGEST * fine,
        )
        self.lines = y
        self._problem = Problem(Grid(x, y), self._conductors())
        self._rows = np.searchsorted(y, self._problem.y) - 1
        self.unknowns = self._problem.unknowns

    def _conductors(self) -> list[Callable[[Floats, Floats], Mask]]:
        """Pads, the electrode in the liquid, and the shield where there is one."""
        shape = self.slice

        def on(x_mm: float, low: float, high: float) -> Callable[[Floats, Floats], Mask]:
            return lambda x, y: np.isclose(x, x_mm) & (y > low - 1e-9) & (y < high + 1e-9)

        start, stop = (shape.wall_mm + share * shape.depth_mm for share in _ELECTRODE)
        conductors = [on(0.0, low, high) for low, high in shape.pads]
        conductors.append(lambda x, y: np.isclose(y, shape.floor_mm) & (x > start) & (x < stop))
        if shape.shield:
            conductors.append(on(-shape.carrier_mm, shape.pads[0][0] - 1.0, shape.pads[-1][1] + 1.0))
        return conductors

    def levels(self, span_mm: float, step_mm: float) -> Floats:
        """Grid lines from the floor up to just above the span, at least ``step_mm`` apart: levels at which no
        rectangle is cut.
        """
        inside = self.lines[
            (self.lines >= self.slice.floor_mm - 1e-9)
            & (self.lines <= min(span_mm + step_mm, self.slice.height_mm))
        ]
        kept = [float(inside[0])]
        for line in inside[1:]:
            if line - kept[-1] >= step_mm:
                kept.append(float(line))
        return np.asarray(kept)

    def solve(self, liquid: Medium, content: Content) -> Complex:
        """The Maxwell matrix of pads, electrode and shield, complex (conductors, conductors), pF
        per metre.
        """
        return self._problem.capacitance(self._permittivity(liquid, content))

    def pads_pf(self, liquid: Medium, content: Content) -> dict[Coupling, tuple[Complex, Complex]]:
        """By coupling to earth: each pad's self capacitance (pads,), and that to its upper neighbour (pads -
        1,), pF.

        The electrode is a terminal: left open the liquid floats; closed by an admittance it is joined to
        earth. What the others see follows from the matrix (a Schur complement), so that one solution serves
        every coupling.
        """
        matrix = self.solve(liquid, content)
        return {coupling: self._seen(matrix, coupling) for coupling in COUPLINGS}

    def _seen(self, matrix: Complex, coupling: Coupling) -> tuple[Complex, Complex]:
        shape, n = self.slice, len(self.slice.pads)
        omega = 2 * np.pi * shape.frequency_hz
        keep = [k for k in range(len(matrix)) if k != n]
        reduced = matrix[np.ix_(keep, keep)]
        if coupling is not Coupling.EARTHED:
            # pF per metre, as the matrix: an admittance Y is a capacitance Y / (j omega)
            load = (
                0.0
                if coupling is Coupling.FLOATING
                else (shape.earth_farad + 1 / (1j * omega * shape.earth_ohm)) * 1e12 / (shape.width_mm / 1000)
            )
            reduced = reduced - np.outer(matrix[keep, n], matrix[n, keep]) / (matrix[n, n] + load)
        own = np.diag(reduced)[:n] + (reduced[:n, n] if shape.shield else 0.0)
        return own * shape.width_mm / 1000, -np.diag(reduced, 1)[: n - 1] * shape.width_mm / 1000

    def _permittivity(self, liquid: Medium, content: Content) -> Complex:
        shape, x, y, f = self.slice, self._problem.x, self._problem.y, self.slice.frequency_hz
        values = np.ones(len(x), np.complex128)
        values[
            (x < 0) & (x > -shape.carrier_mm) & (y > shape.pads[0][0] - 5) & (y < shape.pads[-1][1] + 5)
        ] = shape.carrier_permittivity
        values[
            (x > 0) & (x < shape.wall_mm) & (y < shape.height_mm + 10) & (y > shape.floor_mm - shape.wall_mm)
        ] = shape.wall_permittivity
        inside = (
            (x > shape.wall_mm)
            & (x < shape.wall_mm + shape.depth_mm)
            & (y > shape.floor_mm)
            & (y < shape.height_mm)
        )
        top = content.level_mm + content.foam_mm
        if content.film_um > 0:
            values[inside & (y > top) & (x < shape.wall_mm + content.film_um / 1000)] = liquid.at(f)
        if content.foam_mm > 0:
            share = self._share_below(top)
            froth = share * foam(liquid, content.wetness).at(f) + (1 - share) * AIR.at(f)
            values[inside & (share > 0)] = froth[inside & (share > 0)]
        share = self._share_below(content.level_mm)
        wet = inside & (share > 0)
        values[wet] = share[wet] * liquid.at(f) + (1 - share[wet]) * values[wet]
        return values

    def _share_below(self, height_mm: float) -> Floats:
        """How much of each rectangle lies below a height, 0 to 1."""
        low, high = self.lines[self._rows], self.lines[self._rows + 1]
        return np.asarray(np.clip((height_mm - low) / (high - low), 0.0, 1.0), np.float64)


def pads_of(
    bottoms: Sequence[float], heights: Sequence[float], offset_mm: float
) -> tuple[tuple[float, float], ...]:
    """(bottom, top) of pads, mm above the datum, lowest first."""
    return tuple(sorted((b + offset_mm, b + h + offset_mm) for b, h in zip(bottoms, heights, strict=True)))
