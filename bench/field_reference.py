"""Outside values that the field solution is checked against, and the solution of the same cases.

Coplanar strips 10 mm wide and 4 mm apart, of no thickness, on the outer face of a wall; air outside. Sources:
the conformal map C' = e0 e K(k')/K(k), k = s / (s + 2 w) (Ghione, 1994; formula from memory); the wall table
by a spectral kernel with Chebyshev moments, converged to 1e-10, that reproduces the conformal map at its
limits; foam and film by the same kernel with complex permittivities, foam after Feitosa et al., J. Phys.:
Condens. Matter 17 (2005) 6301; parallel strips by a moment method of nine digits (Kirchhoff's form is 10 %
low at w/d = 1).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ellipk

from dataset.rig.grid import E0, Complex, Floats, Grid, Mask, Problem, graded
from dataset.rig.media import AIR, Medium, foam

WIDTH, GAP = 10.0, 4.0
_BOX = 400.0
WALLS: dict[
    tuple[float, float], tuple[float, float, float, float]
] = {  # (permittivity, mm): pF/m before media of 1, 2.5, 25, 78.4
    (2.3, 1.0): (21.23667, 30.63485, 83.35067, 105.79724),
    (2.3, 2.0): (23.19929, 30.31217, 58.15047, 65.94087),
    (2.3, 3.0): (24.56270, 30.10605, 47.64964, 51.61241),
    (2.3, 5.0): (26.29853, 29.86551, 38.70683, 40.31067),
    (4.3, 1.0): (25.56013, 36.20669, 117.06237, 168.91158),
    (4.3, 2.0): (30.32131, 38.97618, 87.61056, 108.12572),
    (4.3, 3.0): (33.72233, 40.86097, 73.80338, 84.80787),
    (4.3, 5.0): (38.20983, 43.21144, 61.21273, 65.86315),
}
MEDIA = (1.0, 2.5, 25.0, 78.4)
# conductivity S/m, frequency Hz: Re(C - C0) / Re(Cfull - C0) for foam of 2, 5, 10 % liquid and films of 5,
# 20, 100 um; wall 2 mm of 2.3
FOAM_FILM: dict[tuple[float, float], tuple[float, ...]] = {
    (5.5e-6, 1e6): (0.068, 0.173, 0.336, 0.008, 0.030, 0.125),
    (5e-4, 1e5): (0.069, 0.192, 0.400, 0.007, 0.030, 0.136),
    (5e-4, 1e6): (0.068, 0.173, 0.337, 0.008, 0.030, 0.125),
    (5e-2, 1e5): (0.982, 0.997, 0.999, 0.299, 0.779, 0.984),
    (5e-2, 1e6): (0.381, 0.803, 0.949, 0.019, 0.120, 0.539),
    (5e-2, 4e6): (0.093, 0.306, 0.616, 0.008, 0.037, 0.198),
}
PARALLEL = {0.5: 1.4899493, 1.0: 2.115778971, 2.0: 3.2634689, 5.0: 6.4906758, 10.0: 11.681330075}  # w/d: C'/e


@dataclass(frozen=True)
class Row:
    """One case: what it is, the outside value and ours, in the unit named."""

    case: str
    unit: str
    outside: float
    ours: float

    @property
    def error(self) -> float:
        """Relative; for shares of full, the difference."""
        return self.ours - self.outside if self.unit == "share of full" else self.ours / self.outside - 1


def conformal(width: float, gap: float, permittivity: float = 1.0) -> float:
    """Coplanar strips with a half-space of ``permittivity`` on one side and air on the other, pF/m."""
    k = gap / (gap + 2 * width)
    return float(E0 * 1e12 * (1 + permittivity) / 2 * ellipk(1 - k * k) / ellipk(k * k))


def _pair(
    fine: float, wall_mm: float, films_um: Sequence[float] = (), width: float = WIDTH, gap: float = GAP
) -> Problem:
    edges = [-gap / 2 - width, -gap / 2, gap / 2, gap / 2 + width]
    across = [0.0, *([wall_mm] if wall_mm else []), *(wall_mm + um / 1000 for um in films_um)]
    growth = 1 + 1.2 * fine
    grid = Grid(
        graded(across, 0.5 * fine, growth, -_BOX, _BOX),
        graded(edges, 0.5 * fine, growth, -_BOX, _BOX),
        (False,) * 4,
    )

    def strip(low: float, high: float) -> Callable[[Floats, Floats], Mask]:
        return lambda x, y: np.isclose(x, 0) & (y > low - 1e-9) & (y < high + 1e-9)

    return Problem(grid, [strip(edges[0], edges[1]), strip(edges[2], edges[3])])


def _differential(matrix: Complex) -> complex:
    """The capacitance between two conductors with nothing earthed around them: the matrix is then C times
    ((1, -1), (-1, 1)), and singular.
    """
    return complex(-matrix[0, 1])


def strips_rows(fine: float = 1.0) -> list[Row]:
    """Coplanar strips in air and on half-spaces."""
    rows = []
    for width, gap, permittivity in (
        (10.0, 4.0, 1.0),
        (10.0, 4.0, 4.3),
        (10.0, 4.0, 80.1),
        (8.0, 2.0, 1.0),
        (10.0, 10.0, 4.3),
    ):
        problem = _pair(fine, 0.0, width=width, gap=gap)
        ours = _differential(problem.capacitance(np.where(problem.x > 0, permittivity, 1.0))).real
        rows.append(
            Row(
                f"coplanar strips {width:g} and {gap:g} mm apart, half-space {permittivity:g}",
                "pF/m",
                conformal(width, gap, permittivity),
                ours,
            )
        )
    return rows


def wall_rows(fine: float = 1.0, walls: Sequence[tuple[float, float]] = tuple(WALLS)) -> list[Row]:
    """The wall table."""
    rows = []
    for permittivity, wall in walls:
        problem = _pair(fine, wall)
        for medium, outside in zip(MEDIA, WALLS[permittivity, wall], strict=True):
            values = np.where(problem.x < 0, 1.0, np.where(problem.x < wall, permittivity, medium))
            rows.append(
                Row(
                    f"wall {wall:g} mm of {permittivity:g} before {medium:g}",
                    "pF/m",
                    outside,
                    _differential(problem.capacitance(values)).real,
                )
            )
    return rows


def foam_film_rows(fine: float = 1.0) -> list[Row]:
    """Foam and film behind 2 mm of wall, as a share of what full liquid adds."""
    wall, films, rows = 2.0, (5.0, 20.0, 100.0), []
    problem = _pair(fine, wall, films)

    def seen(inside: complex, film_um: float = 0.0, of: complex = 1.0) -> float:
        values = np.where(problem.x < 0, 1.0, np.where(problem.x < wall, 2.3, inside)).astype(np.complex128)
        values[(problem.x > wall) & (problem.x < wall + film_um / 1000)] = of
        return _differential(problem.capacitance(values)).real

    for (sigma, frequency), outside in FOAM_FILM.items():
        liquid = Medium(78.3, sigma)
        whole = liquid.at(frequency)
        empty, full = seen(AIR.at(frequency)), seen(whole)
        ours = [seen(foam(liquid, wetness).at(frequency)) for wetness in (0.02, 0.05, 0.10)] + [
            seen(1.0, um, whole) for um in films
        ]
        names = [f"foam {w:g}" for w in (0.02, 0.05, 0.10)] + [f"film {um:g} um" for um in films]
        where = f"{sigma * 1e4:g} uS/cm at {frequency / 1e6:g} MHz"
        rows += [
            Row(f"{n}, {where}", "share of full", o, (v - empty) / (full - empty))
            for n, o, v in zip(names, outside, ours, strict=True)
        ]
    return rows


def parallel_rows(fine: float = 1.0) -> list[Row]:
    """Two parallel strips in air, 10 mm wide."""
    rows = []
    for ratio, outside in PARALLEL.items():
        width, apart = 10.0, 10.0 / ratio
        first, growth = min(0.5, apart / 4) * fine, 1 + 1.2 * fine
        grid = Grid(
            graded([0.0, apart], first, growth, -_BOX, _BOX),
            graded([0.0, width], first, growth, -_BOX, _BOX),
            (False,) * 4,
        )

        def plate(at: float, width: float = width) -> Callable[[Floats, Floats], Mask]:
            return lambda x, y: np.isclose(x, at) & (y > -1e-9) & (y < width + 1e-9)

        problem = Problem(grid, [plate(0.0), plate(apart)])
        ours = _differential(problem.capacitance(np.ones(len(problem.x)))).real / (E0 * 1e12)
        rows.append(Row(f"parallel strips, width over distance {ratio:g}", "C'/e", outside, ours))
    return rows


def coaxial_rows(fine: float = 1.0) -> list[Row]:
    """A coaxial line of radii 10 and 20 mm, its round conductors cut into grid steps: 2 pi e / ln(b / a). A
    quarter is solved.
    """
    inner, outer, step = 10.0, 20.0, 0.5 * fine
    lines = np.arange(0.0, outer + 2.0 + step / 2, step)
    grid = Grid(lines, lines, (False, True, False, True))
    problem = Problem(grid, [lambda x, y: np.hypot(x, y) < inner, lambda x, y: np.hypot(x, y) > outer])
    ours = -4 * problem.capacitance(np.ones(len(problem.x)))[0, 1].real
    return [Row("coaxial, radii 10 and 20 mm", "pF/m", float(2 * np.pi * E0 * 1e12 / np.log(2.0)), ours)]
