"""A tank's slice and its solved tables: limits that are known, interpolation against direct solutions, the
cache.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from dataset.errors import InputError
from dataset.files.kept import cache_folder
from dataset.pools import HERE
from dataset.records import Coupling
from dataset.rig.grid import E0
from dataset.rig.media import AIR, Medium
from dataset.rig.response import Response, response_table
from dataset.rig.slices import Content, Slice, SliceProblem

TAP = Medium(78.3, 0.05)
SMALL = Slice(
    ((2.0, 16.0), (18.0, 32.0)),
    width_mm=12.0,
    wall_mm=2.0,
    wall_permittivity=2.3,
    height_mm=50.0,
    depth_mm=40.0,
)
SPAN = 36.0


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("tables")


@pytest.fixture(scope="module")
def tables(cache: Path) -> dict[Coupling, Response]:
    return response_table(SMALL, TAP, SPAN, cache=cache, pool=HERE)


@pytest.fixture(autouse=True)
def _one_thread() -> Iterator[None]:
    with threadpool_limits(limits=1):
        yield


def test_a_pad_before_an_earthed_conductor_is_a_strip_over_a_plane(
    bench_module: Callable[[str], ModuleType],
) -> None:
    """Twice the value of two parallel strips at double the distance (moment method, see
    bench/field_reference.py): 10 mm wide, 2.5 mm of air before it.
    """
    parallel = bench_module("field_reference").PARALLEL
    its = Slice(
        ((0.0, 10.0),), 1000.0, 2.5, 1.0, 250.0, floor_mm=-240.0, carrier_permittivity=1.0, shield=False
    )
    own, _ = SliceProblem(its).pads_pf(Medium(80.0, 50.0), Content(250.0))[Coupling.EARTHED]
    assert own[0].real == pytest.approx(2 * parallel[2.0] * E0 * 1e12, rel=0.01)


def test_an_impedance_lies_between_floating_and_earthed() -> None:
    """Its limits are an open and a short circuit: circuit theory."""
    for ohm, farad, like in ((1e-3, 0.0, Coupling.EARTHED), (1e15, 0.0, Coupling.FLOATING)):
        its = Slice(SMALL.pads, 12.0, 2.0, 2.3, 50.0, depth_mm=40.0, earth_ohm=ohm, earth_farad=farad)
        seen = SliceProblem(its).pads_pf(TAP, Content(25.0))
        assert seen[Coupling.IMPEDANCE][0] == pytest.approx(seen[like][0], rel=1e-6)
    assert abs(seen[Coupling.EARTHED][0][0]) > 1.2 * abs(seen[Coupling.FLOATING][0][0])


def test_an_impedance_obeys_kirchhoff() -> None:
    """No current is left at the electrode: j omega sum(M v) + v / R + j omega C v = 0, pads and shield held,
    12 mm of pad's width deep.
    """
    its = Slice(
        SMALL.pads,
        12.0,
        2.0,
        2.3,
        50.0,
        depth_mm=40.0,
        shield=False,
        frequency_hz=2e5,
        earth_ohm=3e6,
        earth_farad=0.4e-12,
    )
    problem, content = SliceProblem(its), Content(20.0)
    own, between = problem.pads_pf(TAP, content)[Coupling.IMPEDANCE]
    matrix, omega = problem.solve(TAP, content) * 0.012, 2 * np.pi * 2e5  # pF, so that admittances are in pS
    volts = -matrix[2, 0] * 1j * omega / (matrix[2, 2] * 1j * omega + 1e12 / 3e6 + 1j * omega * 0.4)
    assert own[0] == pytest.approx(matrix[0, 0] + matrix[0, 2] * volts, rel=1e-9)
    assert between[0] == pytest.approx(-(matrix[1, 0] + matrix[1, 2] * volts), rel=1e-9)


def test_reciprocity_and_shielding() -> None:
    """A Maxwell matrix is symmetric, its diagonal positive, the rest negative, no row sums below zero
    (Maxwell's Treatise, section 87, from memory).
    """
    matrix = SliceProblem(SMALL).solve(Medium(5.0), Content(20.0)).real
    assert matrix == pytest.approx(matrix.T, abs=1e-6)
    assert (np.diag(matrix) > 0).all()
    assert (matrix[~np.eye(len(matrix), dtype=bool)] <= 1e-6).all()
    assert (matrix.sum(axis=1) > -1e-6).all()


def test_a_tank_of_air_shows_no_level(tmp_path: Path) -> None:
    problem = SliceProblem(SMALL)
    low, high = (problem.solve(AIR, Content(level)) for level in (0.0, 30.0))
    assert low == pytest.approx(high, rel=1e-9)


@pytest.mark.longer
@pytest.mark.parametrize(
    ("what", "within"), [("clean", 0.02), pytest.param("foam", 0.10, marks=pytest.mark.slow), ("film", 0.06)]
)
def test_interpolated_is_near_to_a_halved_grid(
    tables: dict[Coupling, Response], what: str, within: float
) -> None:
    """Tables against direct solutions at levels of their own, on a grid half as coarse, where the surface
    lies on a line of that grid.
    """
    problem = SliceProblem(SMALL, 0.5)
    lines = problem.levels(SPAN, 3.0)
    swing = np.ptp(tables[Coupling.EARTHED].clean, axis=0)
    for level, top in zip(lines[2:-4:2], lines[4:-2:2], strict=True):
        foam_mm, film_um = (top - level if what == "foam" else 0.0), (20.0 if what == "film" else 0.0)
        direct = problem.pads_pf(TAP, Content(level, foam_mm, 0.03, film_um))
        for coupling, table in tables.items():
            ours = table.at(
                np.asarray([level]),
                np.asarray([foam_mm]),
                np.asarray([0.03]),
                np.full((1, len(SMALL.pads)), film_um),
            )[0]
            assert np.abs((ours - direct[coupling][0].real) / swing).max() < within, (level, coupling)


def test_what_was_solved_comes_back(tables: dict[Coupling, Response]) -> None:
    table = tables[Coupling.EARTHED]
    assert table.at(table.levels) == pytest.approx(table.clean, rel=1e-12)
    assert table.between(table.levels) == pytest.approx(table.neighbours, rel=1e-12)


def test_film_hides_under_liquid_and_adds_above_it(tables: dict[Coupling, Response]) -> None:
    """A wetted wall can only look fuller; a pad that the liquid covers sees next to nothing of a film higher
    up.
    """
    table, level = tables[Coupling.EARTHED], np.asarray([16.0])  # the lower pad's top
    added = table.at(level, film_um=np.full((1, 2), 100.0)) - table.at(level)
    swing = np.ptp(table.clean, axis=0)
    assert added[0, 1] > 0.2 * swing[1]
    assert abs(added[0, 0]) < 0.1 * added[0, 1]
    assert table.at(level, film_um=np.zeros((1, 2))) == pytest.approx(table.at(level))


def test_more_or_wetter_foam_looks_fuller(tables: dict[Coupling, Response]) -> None:
    table, level = tables[Coupling.FLOATING], np.full(4, 4.0)
    seen = table.at(level, np.asarray([0.0, 8.0, 8.0, 30.0]), np.asarray([0.05, 0.01, 0.08, 0.08]))
    assert (np.diff(seen.sum(axis=1)) > 0).all()


def test_thin_foam_counts_by_its_thickness(tables: dict[Coupling, Response]) -> None:
    table, level = tables[Coupling.FLOATING], np.full(3, 4.0)
    none, half, whole = table.at(level, np.asarray([0.0, 4.0, 8.0]), np.full(3, 0.08))
    assert half - none == pytest.approx((whole - none) / 2)


@pytest.mark.slow
def test_another_wall_is_another_table(tmp_path: Path) -> None:
    thin, thick = (
        response_table(
            Slice(((2.0, 16.0),), 12.0, wall, 2.3, 24.0, depth_mm=20.0), TAP, 12.0, cache=tmp_path, pool=HERE
        )[Coupling.EARTHED]
        for wall in (1.0, 3.0)
    )
    assert thin.clean[-1, 0] > 1.5 * thick.clean[-1, 0]
    assert len(list(tmp_path.iterdir())) == 2


def test_a_table_is_solved_once(tables: dict[Coupling, Response], cache: Path) -> None:
    def never(what: str, done: int, total: int) -> None:
        raise AssertionError("solved again")

    again = response_table(SMALL, TAP, SPAN, cache=cache, progress=never, pool=HERE)
    assert np.array_equal(again[Coupling.EARTHED].clean, tables[Coupling.EARTHED].clean)
    assert [path.suffix for path in cache.iterdir()] == [".npz"]


@pytest.mark.slow
def test_a_torn_table_is_solved_again(tables: dict[Coupling, Response], cache: Path, tmp_path: Path) -> None:
    (whole,) = cache.iterdir()
    (tmp_path / whole.name).write_bytes(whole.read_bytes()[:-200])
    told: list[tuple[int, int]] = []
    again = response_table(
        SMALL,
        TAP,
        SPAN,
        cache=tmp_path,
        progress=lambda what, done, total: told.append((done, total)),
        pool=HERE,
    )
    assert np.array_equal(again[Coupling.FLOATING].films, tables[Coupling.FLOATING].films)
    assert told[-1][0] == told[-1][1]
    assert (tmp_path / whole.name).read_bytes() == whole.read_bytes()


def test_the_cache_lies_where_it_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("INNAGE_CACHE", str(tmp_path / "here"))
    assert cache_folder() == tmp_path / "here"
    monkeypatch.delenv("INNAGE_CACHE")
    assert cache_folder().name == "innage"


def test_a_cache_that_cannot_be_is_said_before_anything_is_solved(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="Name another with INNAGE_CACHE"):
        response_table(SMALL, TAP, SPAN, cache=tmp_path / "file")


def test_pads_that_overlap_are_refused() -> None:
    with pytest.raises(ValueError, match="overlap"):
        SliceProblem(Slice(((0.0, 10.0), (9.0, 20.0)), 10.0, 2.0, 2.3, 40.0))
