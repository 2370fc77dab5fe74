"""The field solution beside closed forms and published figures: coplanar strips, a wall before a medium, foam and film, plates, a square line.

Every case is solved on a grid as fine at its edges as the one that ships. Values of 'spectral reference' are those of a spectral
kernel with Chebyshev currents on the strips, converged to 1e-10, made apart from this project's solution.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.special import ellipk
from threadpoolctl import threadpool_limits

from dataset.rig.grid import E0, Floats, Grid, Mask, Problem, graded
from dataset.rig.media import AIR, Medium, foam

FIRST_MM, ALONG, GROWTH = 0.5, 1.6, 2.0  # the grid that ships, as in dataset.rig.slices: steps along the pads are longer than across
Layers = Sequence[tuple[float, complex]]  # (thickness mm, relative permittivity), outwards from the pads; the last one has no end
WIDTH_MM, GAP_MM = 10.0, 4.0  # the pair of the wall, foam and film tables
WALL_MEDIA = (1.0, 2.5, 25.0, 78.4)
WALL_TABLE = {  # (wall's permittivity, mm): pF per metre before each medium
    (2.3, 1.0): (21.23667, 30.63485, 83.35067, 105.79724),
    (2.3, 2.0): (23.19929, 30.31217, 58.15047, 65.94087),
    (2.3, 3.0): (24.56270, 30.10605, 47.64964, 51.61241),
    (2.3, 5.0): (26.29853, 29.86551, 38.70683, 40.31067),
    (4.3, 1.0): (25.56013, 36.20669, 117.06237, 168.91158),
    (4.3, 2.0): (30.32131, 38.97618, 87.61056, 108.12572),
    (4.3, 3.0): (33.72233, 40.86097, 73.80338, 84.80787),
    (4.3, 5.0): (38.20983, 43.21144, 61.21273, 65.86315),
}
PLATE_TABLE = {0.5: 1.4899493, 1.0: 2.115778971, 2.0: 3.2634689, 5.0: 6.4906758, 10.0: 11.681330075, 20.0: 21.8832073}  # width over gap
FOAM_WETNESSES, FILM_UM = (0.02, 0.05, 0.10), (5.0, 20.0, 100.0)
MIXTURE_TABLE = {  # (liquid's S/m, Hz): shares of a full tank's step, of foams and of films; the liquid's permittivity is 78.3
    (5.5e-6, 1e6): ((0.068, 0.173, 0.336), (0.008, 0.030, 0.125)),
    (5e-4, 1e5): ((0.069, 0.192, 0.400), (0.007, 0.030, 0.136)),
    (5e-4, 1e6): ((0.068, 0.173, 0.337), (0.008, 0.030, 0.125)),
    (0.05, 1e5): ((0.982, 0.997, 0.999), (0.299, 0.779, 0.984)),
    (0.05, 1e6): ((0.381, 0.803, 0.949), (0.019, 0.120, 0.539)),
    (0.05, 4e6): ((0.093, 0.306, 0.616), (0.008, 0.037, 0.198)),
}


@dataclass(frozen=True)
class Check:
    """One case: ``solve`` takes the grid's fineness (1 as shipped, 0.5 halved) and gives what ``published`` says, in ``unit``."""

    name: str
    source: str
    published: float
    unit: str
    solve: Callable[[float], float]

    def error_pct(self, fine: float = 1.0) -> float:
        """Ours less theirs: per cent of theirs, or of a full tank where the figure is a share of that."""
        base = 1.0 if self.unit == "of full" else self.published
        return 100 * (self.solve(fine) - self.published) / base


def pair(width_mm: float, gap_mm: float, outside: complex, layers: Layers, fine: float = 1.0, first_mm: float = FIRST_MM) -> complex:
    """Capacitance between two coplanar strips, pF per metre, one at half a volt, the other at minus half; ``layers`` lie on one side."""
    outer = gap_mm / 2 + width_mm
    around = 25 * (width_mm + gap_mm)
    growth = 1 + (GROWTH - 1) * fine
    borders = np.cumsum([0.0, *(thick for thick, _ in layers[:-1])])
    y = graded([-outer, -gap_mm / 2, gap_mm / 2, outer], ALONG * first_mm * fine, growth, -outer - around, outer + around)
    x = graded(list(borders), first_mm * fine, growth, -around, float(borders[-1]) + around)
    problem = Problem(Grid(x, y), [_strip(0.0, -outer, -gap_mm / 2), _strip(0.0, gap_mm / 2, outer)])
    values = np.full(len(problem.x), outside, np.complex128)
    for start, (_, permittivity) in zip(borders, layers, strict=True):
        values[problem.x > start] = permittivity
    return _difference(problem, values)


def plates(width_mm: float, gap_mm: float, fine: float = 1.0) -> float:
    """Capacitance between two parallel strips in one medium over that medium's permittivity."""
    around = 25 * max(width_mm, gap_mm)
    growth = 1 + (GROWTH - 1) * fine
    first = FIRST_MM * fine * min(1.0, gap_mm / 4, width_mm / 4)
    y = graded([-width_mm / 2, width_mm / 2], first, growth, -around, around)
    x = graded([0.0, gap_mm], first, growth, -around, gap_mm + around)
    problem = Problem(Grid(x, y), [_strip(at, -width_mm / 2, width_mm / 2) for at in (0.0, gap_mm)])
    return _difference(problem, np.ones(len(problem.x))).real / (E0 * 1e12)


def square_line(fine: float = 1.0) -> float:
    """Capacitance of a square conductor inside an earthed square of twice its side, over the medium's permittivity."""
    lines = graded([5.0, 15.0], FIRST_MM * fine, 1 + (GROWTH - 1) * fine, 0.0, 20.0)
    problem = Problem(Grid(lines, lines), [lambda x, y: (abs(x - 10) < 5 + 1e-9) & (abs(y - 10) < 5 + 1e-9)])
    with threadpool_limits(limits=1):
        return float(problem.capacitance(np.ones(len(problem.x)))[0, 0].real) / (E0 * 1e12)


def share_of_foam(liquid: Medium, frequency_hz: float, wetness: float, fine: float = 1.0) -> float:
    """How much of a full tank's step the pair sees in foam without end, behind a 2 mm wall of permittivity 2.3."""
    empty, part, full = (_behind_wall([(0.0, m.at(frequency_hz))], fine) for m in (AIR, foam(liquid, wetness), liquid))
    return float((part - empty).real / (full - empty).real)


def share_of_film(liquid: Medium, frequency_hz: float, film_um: float, fine: float = 1.0) -> float:
    """How much of a full tank's step the pair sees in a film with air behind it, behind a 2 mm wall of permittivity 2.3."""
    air, wet, thick = AIR.at(frequency_hz), liquid.at(frequency_hz), film_um / 1000
    empty, part, full = (_behind_wall([(thick, first), (0.0, rest)], fine) for first, rest in ((air, air), (wet, air), (wet, wet)))
    return float((part - empty).real / (full - empty).real)


def checks() -> list[Check]:
    """All cases."""
    return [*_strips(), *_walls(), *_plates(), *_mixtures()]


def _strips() -> list[Check]:
    """Coplanar strips with a half-space on one side: e0 (1 + er) / 2 K(k') / K(k), k = s / (s + 2 w), by conformal mapping."""
    made = []
    for width, gap in ((1.0, 1.0), (10.0, 4.0), (10.0, 1.0), (1.0, 10.0)):
        k2 = (gap / (gap + 2 * width)) ** 2
        for permittivity in (1.0, 4.3, 80.1):
            published = E0 * 1e12 * (1 + permittivity) / 2 * float(ellipk(1 - k2) / ellipk(k2))
            # steps go with the strip and the gap, as they do not in a tank: pads there are 10 mm and more
            first = FIRST_MM * min(1.0, width / WIDTH_MM, gap / GAP_MM)
            solve = partial(_real_pair, width, gap, permittivity, first)
            made.append(Check(f"strips {width:g} mm, gap {gap:g} mm, er {permittivity:g}", "conformal mapping (Ghione 1994)", published, "pF/m", solve))
    return made


def _walls() -> list[Check]:
    return [
        Check(f"wall {thick:g} mm er {wall:g}, then er {medium:g}", "spectral reference", published, "pF/m", partial(_wall, thick, wall, medium))
        for (wall, thick), row in WALL_TABLE.items()
        for medium, published in zip(WALL_MEDIA, row, strict=True)
    ]


def _plates() -> list[Check]:
    made = [
        Check(f"plates, width over gap {ratio:g}", "moment method, 9 digits", published, "C'/e", partial(plates, 10.0, 10.0 / ratio))
        for ratio, published in PLATE_TABLE.items()
    ]
    return [*made, Check("square in a square of twice its side", "Bowman 1935, from memory", 10.23409, "C'/e", square_line)]


def _mixtures() -> list[Check]:
    made = []
    for (conductivity, frequency), (foams, films) in MIXTURE_TABLE.items():
        liquid, words = Medium(78.3, conductivity), f"{conductivity * 1e4:g} uS/cm, {frequency / 1e6:g} MHz"
        for wetness, published in zip(FOAM_WETNESSES, foams, strict=True):
            made.append(Check(f"foam {wetness:g}, {words}", "spectral reference", published, "of full", partial(share_of_foam, liquid, frequency, wetness)))
        for film, published in zip(FILM_UM, films, strict=True):
            made.append(Check(f"film {film:g} um, {words}", "spectral reference", published, "of full", partial(share_of_film, liquid, frequency, film)))
    return made


def _real_pair(width_mm: float, gap_mm: float, permittivity: float, first_mm: float, fine: float) -> float:
    return pair(width_mm, gap_mm, 1.0, [(0.0, permittivity)], fine, first_mm).real


def _wall(thick_mm: float, wall: float, medium: float, fine: float) -> float:
    return pair(WIDTH_MM, GAP_MM, 1.0, [(thick_mm, wall), (0.0, medium)], fine).real


def _behind_wall(inside: Layers, fine: float) -> complex:
    return pair(WIDTH_MM, GAP_MM, 1.0, [(2.0, 2.3), *inside], fine)


def _strip(x_mm: float, low: float, high: float) -> Callable[[Floats, Floats], Mask]:
    return lambda x, y: np.isclose(x, x_mm) & (y > low - 1e-9) & (y < high + 1e-9)


def _difference(problem: Problem, values: Floats | np.ndarray[tuple[int, ...], np.dtype[np.complex128]]) -> complex:
    volts = np.asarray([0.5, -0.5])
    with threadpool_limits(limits=1):
        return complex((problem.capacitance(values) @ volts)[0])
