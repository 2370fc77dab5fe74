"""Which way is favoured by units left out: parts of units, the pick, and how sure it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.records import FrozenData, Limit, Limits, Role
from training.judging.judged import Judged, judge
from training.models.trimming import trim_counts
from training.program import Builder, Program
from training.studies.crossing import FEWEST_UNITS, parts_of_units, picking_of

Make = Callable[..., FrozenData]


def test_every_unit_is_left_out_once_and_no_unit_has_two_parts(make_strip: Make) -> None:
    """Seven units, two of them to choose on: four parts; of those that remain some set thresholds."""
    data = make_strip(units=10, choose=2, prove=3, frames=4)
    used = data.rows(Role.FIT) | data.rows(Role.CHOOSE)
    parts = parts_of_units(data, seed=1)
    assert len(parts) == 4
    np.testing.assert_array_equal(np.sum([part.out for part in parts], axis=0), used)
    for part in parts:
        assert (part.out.astype(int) + part.choose + part.fit == used).all()
        groups = [set(data.group[rows].tolist()) for rows in (part.out, part.choose, part.fit)]
        assert not groups[0] & groups[1]
        assert not groups[2] & (groups[0] | groups[1])
        assert len(groups[1]) >= 1
        assert len(groups[2]) >= 2
    assert len({tuple(part.choose.tolist()) for part in parts}) > 1
    again = parts_of_units(data, seed=1)
    assert all((one.out == two.out).all() for one, two in zip(parts, again, strict=True))


def test_fewer_units_than_two_to_fit_and_one_each_to_choose_and_leave_out_are_not_crossed(
    make_strip: Make,
) -> None:
    assert parts_of_units(make_strip(units=5, choose=1, prove=2, frames=4), 0) == ()
    assert len(parts_of_units(make_strip(units=6, choose=1, prove=2, frames=4), 0)) == FEWEST_UNITS


@pytest.fixture(scope="module")
def judged(make_strip: Make) -> Judged:
    """Six units read without an error; tests put errors on them."""
    data = make_strip(units=6, choose=0, prove=0, frames=30)
    builder = Builder("nothing", 16, 6, 100, 7680, 10)
    zero, one = builder.const(0), builder.const(1)
    program: Program = builder.finish(low=zero, level=zero, high=zero, validity=one, flags=zero)
    every = np.ones(len(data.session), np.bool_)
    return with_errors(judge(program, data, every, trim_counts(data, ()), 120.0), np.zeros(6))


def with_errors(judged: Judged, by_unit: np.ndarray, wet: bool = False) -> Judged:
    """Readings that err by so many mm, unit by unit; an empty tank is right, or read as wet."""
    _, unit = judged.places["group"].numbered()
    level = judged.label_mm + by_unit[unit]
    level[judged.states.empty] = 60.0 if wet else 0.0
    return replace(judged, level_mm=level)


def test_a_way_that_is_surely_ahead_is_favoured(judged: Judged) -> None:
    """By hand: 1 mm behind on every unit, 0.1 mm more or less."""
    less = 1.0 + 0.1 * np.asarray([1, -1, 1, -1, 1, -1])
    picking = picking_of(
        {"near": with_errors(judged, np.ones(6)), "far": with_errors(judged, 1 + less)}, None, 4
    )
    assert (picking.favoured, picking.as_good, picking.units) == ("near", ("near",), 6)
    assert [row.way for row in picking.ways] == ["near", "far"]
    far = picking.ways[1]
    assert far.behind_mm == pytest.approx(1.0)
    assert far.sure == pytest.approx(1.0, abs=1e-4)
    assert (picking.ways[0].behind_mm, picking.ways[0].sure) == (None, None)


def test_of_ways_that_may_be_as_good_the_safer_is_favoured(judged: Judged) -> None:
    """The first by a hair errs more on its worst unit, or reads an empty tank as wet. By hand: differences of
    -0.5, 0.2, 0.2, 0.2, 0.2, 0.2 have the mean 0.0833 and the deviation 0.2858, t = 0.714 with 5 degrees of
    freedom, of which 75.4 % lie below (Student's t, any table).
    """
    first, second = np.asarray([2.0, 1, 1, 1, 1, 1]), np.asarray([1.5, 1.2, 1.2, 1.2, 1.2, 1.2])
    picking = picking_of({"a": with_errors(judged, second), "b": with_errors(judged, first)}, None, 4)
    by_name = {row.way: row for row in picking.ways}
    assert by_name["b"].worst_unit_mm == pytest.approx(2.0)
    behind = next(row for row in picking.ways if row.sure is not None)
    assert set(picking.as_good) == {"a", "b"}
    assert picking.favoured == "a"
    if behind.way == "a":
        assert behind.behind_mm == pytest.approx(0.0833, abs=1e-3)
        assert behind.sure == pytest.approx(0.754, abs=2e-3)
    wet = picking_of({"a": with_errors(judged, second, wet=True), "b": with_errors(judged, first)}, None, 4)
    assert wet.favoured == "b"


def test_a_way_beyond_the_limits_is_not_as_good_as_one_within(judged: Judged) -> None:
    limits = Limits("l", 1, (Limit("p95_abs_mm", 1.25, "clean"),))
    ways = {
        "within": with_errors(judged, np.asarray([1.2] * 6)),
        "beyond": with_errors(judged, np.asarray([0.1, 0.1, 0.1, 0.1, 1.9, 1.9])),
    }
    picking = picking_of(ways, limits, 4)
    assert [(row.way, row.within) for row in picking.ways] == [("within", True), ("beyond", False)]
    assert picking.as_good == ("within",)
