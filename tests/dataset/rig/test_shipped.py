"""Tables that come with the package are those that the solution gives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dataset.records import Coupling
from dataset.rig.response import SHIPPED, response_table
from dataset.rig.scenario import load_scenario
from dataset.rig.slices import Content, SliceProblem

SCENARIO = load_scenario("washer")


@pytest.mark.slow
@pytest.mark.parametrize("tank", ["detergent-canister@1", "detergent-canister@2"])
def test_shipped_tables_are_found_and_solved_again(tank: str, tmp_path: Path) -> None:
    """Every liquid's table is found by its hash, so that nothing is solved; one state of each, solved anew,
    is the same.
    """
    index = SCENARIO.find_tank(tank)
    its, shape = SCENARIO.tank[index], SCENARIO.slice(index)
    problem = SliceProblem(shape)
    for name in its.liquids:
        medium = SCENARIO.find_liquid(name).medium

        def solved(what: str, done: int, total: int, name: str = name) -> None:
            raise AssertionError(f"{name} of {tank} is not shipped: solve it again and put it into {SHIPPED}")

        found = response_table(
            shape, medium, its.span_mm + its.headspace_mm / 2, cache=tmp_path, progress=solved
        )
        level = float(found[Coupling.FLOATING].levels[12])
        again = problem.pads_pf(medium, Content(level))
        for coupling, table in found.items():
            assert np.allclose(table.at(np.asarray([level]))[0], np.real(again[coupling][0]), rtol=1e-9)
