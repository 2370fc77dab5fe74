"""The field solution against closed forms and published tables; sources are named in
bench/field_reference.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from dataset.rig.grid import Grid, Problem, graded


@pytest.fixture(autouse=True)
def _one_thread() -> Iterator[None]:
    """The factorisation's small dense blocks only get slower by more."""
    with threadpool_limits(limits=1):
        yield


@pytest.fixture(scope="module")
def reference(bench_module: Callable[[str], ModuleType]) -> ModuleType:
    """Outside values, and the solution of the same cases."""
    return bench_module("field_reference")


def worst(rows: Sequence[Any]) -> float:
    return max(abs(float(row.error)) for row in rows)


def test_the_closed_form_itself(reference: ModuleType) -> None:
    """Printed values of the conformal map: 17.874305 pF/m in air, 47.36691 on a half-space of 4.3 (10 mm
    strips, 4 mm apart).
    """
    assert reference.conformal(10, 4) == pytest.approx(17.874305, abs=1e-5)
    assert reference.conformal(10, 4, 4.3) == pytest.approx(47.36691, abs=1e-4)


def test_coplanar_strips(reference: ModuleType) -> None:
    """In air and on half-spaces, at the shipped grid step within 1 %."""
    assert worst(reference.strips_rows()) < 0.01


def test_wall_table(reference: ModuleType) -> None:
    """Strips behind 2 mm of wall before four media, at the shipped grid step within 1 %."""
    assert worst(reference.wall_rows(walls=((2.3, 2.0), (4.3, 1.0)))) < 0.01


@pytest.mark.slow
def test_whole_wall_table_and_its_order_of_convergence(reference: ModuleType) -> None:
    """All rows within 1 %; half the step, about half the error: the field is singular at the strips' edges,
    which makes the order one.
    """
    coarse, fine = (np.asarray([abs(row.error) for row in reference.wall_rows(step)]) for step in (1.0, 0.5))
    assert coarse.max() < 0.01
    order = np.log2(coarse / fine)
    assert np.median(order) > 0.7
    assert fine.max() < coarse.max() / 1.6


@pytest.mark.slow
def test_foam_and_film_with_conductivity(reference: ModuleType) -> None:
    """What a pad sees of foam and film, complex: within 0.006 of full liquid (the table has three digits)."""
    assert worst(reference.foam_film_rows()) < 0.006


def test_parallel_strips(reference: ModuleType) -> None:
    """Fringing included, within 1 %."""
    assert worst(reference.parallel_rows()) < 0.01


def test_coaxial_line(reference: ModuleType) -> None:
    """2 pi e / ln 2 = 80.260736 pF/m (closed form from memory); round conductors in grid steps cost up to 2
    %, half the step less.
    """
    (coarse,), (fine,) = reference.coaxial_rows(1.0), reference.coaxial_rows(0.5)
    assert coarse.outside == pytest.approx(80.260736, abs=1e-5)
    assert abs(fine.error) < abs(coarse.error) < 0.02


def test_a_plate_capacitor_is_exact() -> None:
    """Between two plates that reach the symmetry planes the field is uniform: e0 e w / d, complex
    permittivities too.
    """
    grid = Grid(np.linspace(0, 2, 5), np.linspace(0, 10, 7), (False,) * 4)
    problem = Problem(grid, [lambda x, y: np.isclose(x, 0), lambda x, y: np.isclose(x, 2)])
    matrix = problem.capacitance(np.full(len(problem.x), 3.0 - 4.0j))
    assert -matrix[0, 1] == pytest.approx(8.8541878128 * (3 - 4j) * 10 / 2, rel=1e-12)
    assert matrix.sum() == pytest.approx(0, abs=1e-9)


def test_grid_lines_lie_on_every_edge_and_grow() -> None:
    lines = graded([0.0, 3.0], 0.5, 2.0, -20.0, 20.0)
    assert {0.0, 3.0} <= set(np.round(lines, 12))
    assert (np.diff(lines) > 0).all()
    assert np.diff(lines)[-1] > 2 * np.diff(lines)[np.searchsorted(lines, 3.0)]


def test_a_conductor_off_the_grid_is_an_error() -> None:
    with pytest.raises(ValueError, match="no grid node"):
        Problem(Grid(np.linspace(0, 1, 3), np.linspace(0, 1, 3)), [lambda x, y: x > 5])
