"""Two-dimensional electrostatics on a graded grid of rectangles: the Maxwell capacitance matrix of thin
conductors between dielectrics.

Fields vary in the plane only, so capacitances are per metre of depth. Conductivity enters as a complex
permittivity (harmonic fields, displacement and conduction currents together). Conductors are sets of grid
nodes; the grid's outer edge is earth, or a symmetry plane where so asked.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementQuad2, MeshQuad
from skfem.helpers import dot, grad

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Mask = NDArray[np.bool_]
E0 = 8.8541878128e-12  # F/m, CODATA 2018


def graded(
    edges: Sequence[float], first: float, growth: float, low: float, high: float, longest: float = np.inf
) -> Floats:
    """Grid lines from ``low`` to ``high`` that lie on every edge, ``first`` apart at an edge and growing away
    from it by ``growth`` a step.

    An edge is where a field is singular or a material ends. No step between two edges is longer than
    ``longest``. Lengths are in mm.
    """
    inner = sorted({e for e in edges if low < e < high})
    marks = [low, *inner, high]
    lines: list[float] = []
    for a, b in pairwise(marks):
        lines += _between(a, b, first, growth, a in inner, b in inner, longest)[:-1]
    return np.asarray([*lines, high])


def _between(
    a: float, b: float, first: float, growth: float, fine_a: bool, fine_b: bool, longest: float
) -> list[float]:
    """Steps that grow from the fine ends; scaled so that the last line falls on ``b``."""
    length = b - a
    if fine_a and fine_b:
        half = _steps(length / 2, first, growth, longest)
        steps = np.concatenate([half, half[::-1]])
    else:
        steps = _steps(length, first, growth, np.inf)
        steps = steps if fine_a else steps[::-1]
    return list(a + np.concatenate([[0.0], np.cumsum(steps)]))


def _steps(length: float, first: float, growth: float, longest: float) -> Floats:
    steps = [min(first, longest)]
    while sum(steps) < length:
        steps.append(min(steps[-1] * growth, longest))
    return np.asarray(steps) * (length / sum(steps))


@dataclass(frozen=True)
class Grid:
    """Grid lines in mm: ``x`` away from the pads' carrier into the tank, ``y`` upwards. ``earthed``: which of
    left, right, bottom, top are earth.
    """

    x: Floats
    y: Floats
    earthed: tuple[bool, bool, bool, bool] = (True, True, True, True)


class Problem:
    """A grid with conductors, made ready to be solved for many fillings: only the permittivities change from
    one to the next.

    Args:
        grid: the grid lines.
        conductors: for each one a function from node coordinates (x, y) in mm to a mask; conductors must not
            touch.
    """

    def __init__(self, grid: Grid, conductors: Sequence[Callable[[Floats, Floats], Mask]]) -> None:
        mesh = MeshQuad.init_tensor(grid.x, grid.y)
        basis = Basis(mesh, ElementQuad2(), intorder=4)
        at = basis.doflocs
        self.unknowns = int(basis.N)
        centre = mesh.p[:, mesh.t].mean(axis=1)
        self.x, self.y = centre[0], centre[1]  # of the rectangles, mm
        self._elements, self._rows, self._columns = _element_matrices(basis)
        self._held = [np.flatnonzero(holds(at[0], at[1])) for holds in conductors]
        empty = [k for k, nodes in enumerate(self._held) if not len(nodes)]
        if empty:
            raise ValueError(f"no grid node lies on conductor {empty[0]}")
        self._earth = np.flatnonzero(_edge(grid, at))
        fixed = np.unique(np.concatenate([*self._held, self._earth]))
        self._free = np.setdiff1d(np.arange(self.unknowns), fixed)

    def capacitance(self, permittivity: Complex | Floats) -> Complex:
        """The Maxwell matrix, complex128 (conductors, conductors), pF per metre; ``permittivity`` relative,
        one a rectangle.

        One factorisation, all conductors as right-hand sides. Element (i, k) is the charge on i when k alone
        is at 1 V.
        """
        values = np.asarray(permittivity, np.complex128)
        stiffness = csc_matrix(
            ((self._elements * values).ravel(), (self._rows, self._columns)),
            shape=(self.unknowns, self.unknowns),
        )
        potential = np.zeros((self.unknowns, len(self._held)), np.complex128)
        for k, nodes in enumerate(self._held):
            potential[nodes, k] = 1.0
        potential[self._earth] = 0.0
        load = -(stiffness @ potential)[self._free]
        inner = stiffness[self._free][:, self._free].tocsc()
        potential[self._free] = splu(
            inner, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}
        ).solve(np.asfortranarray(load))
        return np.asarray(potential.T @ (stiffness @ potential) * E0 * 1e12, np.complex128)


def _element_matrices(basis: Any) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    """Stiffness of every rectangle at permittivity 1, (entries, rectangles), with the row and column of each
    entry.
    """

    @BilinearForm  # type: ignore[untyped-decorator]  # no types are published
    def laplace(u: Any, v: Any, w: Any) -> Any:
        return dot(grad(u), grad(v))

    local = laplace.coo_data(basis)
    elements = basis.nelems
    entries = len(local.data) // elements
    data = local.data.reshape(entries, elements)
    return data, local.indices[0].astype(np.int64), local.indices[1].astype(np.int64)


def _edge(grid: Grid, at: Floats) -> Mask:
    left, right, bottom, top = grid.earthed
    mask = np.zeros(at.shape[1], np.bool_)
    for earthed, values, where in (
        (left, at[0], grid.x[0]),
        (right, at[0], grid.x[-1]),
        (bottom, at[1], grid.y[0]),
        (top, at[1], grid.y[-1]),
    ):
        if earthed:
            mask |= np.isclose(values, where)
    return mask
