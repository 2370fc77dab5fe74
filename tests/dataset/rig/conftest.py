"""A bench without a field solution: tables made by hand, in which a pad's capacitance rises evenly while the
liquid covers it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dataset.records import Coupling
from dataset.rig.bench import Bench
from dataset.rig.response import Response
from dataset.rig.scenario import Scenario, load_scenario

DRY_PF, SWING_PF = 2.0, {Coupling.EARTHED: 1.6, Coupling.FLOATING: 1.2, Coupling.IMPEDANCE: 1.4}


def even_response(scenario: Scenario, tank: int, coupling: Coupling) -> Response:
    """A pad covered by a share of its height shows that share of the swing; foam and film add a tenth and a
    fifth to a dry pad.
    """
    low, high = np.asarray(scenario.slice(tank).pads).T
    levels = np.arange(-4.0, high[-1] + 1.5, 0.5)
    share = np.clip((levels[:, None] - low) / (high - low), 0, 1)
    bare = SWING_PF[coupling] * (1 - share)
    return Response(
        levels,
        levels,
        clean=DRY_PF + SWING_PF[coupling] * share,
        foams=np.stack([np.stack([0.05 * bare, 0.1 * bare]), np.stack([0.1 * bare, 0.2 * bare])]),
        films=np.stack([0.1 * bare, 0.2 * bare]),
        neighbours=np.zeros((len(levels), len(low) - 1)),
    )


def _section(scenario: Scenario, name: str, **values: Any) -> Scenario:
    return replace(scenario, **{name: replace(getattr(scenario, name), **values)})


@pytest.fixture(scope="session")
def washer() -> Scenario:
    return load_scenario("washer")


@pytest.fixture(scope="session")
def calm(washer: Scenario) -> Scenario:
    """The built-in scenario with all that varies or disturbs set to nothing, the liquid floating."""
    spread = dict.fromkeys(
        (
            "gain",
            "pad_gain",
            "offset_counts",
            "pad_offset_counts",
            "gap_mm",
            "mounting_mm",
            "pad_mm",
            "noise",
        ),
        0.0,
    )
    scenario = _section(washer, "spread", **spread)
    scenario = _section(scenario, "board", noise_counts=0.0)
    scenario = _section(scenario, "temperature", board_counts_per_k=0.0, swing_per_k=0.0, drift_counts=0.0)
    scenario = _section(scenario, "interference", mains_counts=0.0, switching_counts=0.0)
    scenario = _section(scenario, "foam", flicker=0.0)
    scenario = _section(scenario, "earthing", earthed_share=0.0)
    return _section(scenario, "liquid_motion", slosh_mm=0.0, meniscus_mm=0.0, tilt_deg=0.0)


@pytest.fixture(scope="session")
def section() -> Callable[..., Scenario]:
    """A scenario with some keys of a section changed: ``section(scenario, "film", most_um=50.0)``."""
    return _section


@pytest.fixture(scope="session")
def bench_of() -> Callable[..., Bench]:
    """The bench of a scenario's first tank on the tables made by hand."""

    def make(scenario: Scenario, *, seed: int = 0) -> Bench:
        table = {coupling: even_response(scenario, 0, coupling) for coupling in SWING_PF}
        return Bench(scenario, 0, seed=seed, tables=dict.fromkeys(scenario.tank[0].liquids, table))

    return make
