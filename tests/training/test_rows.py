"""What of the labelled frames training sees."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from dataset.records import FrozenData, GroupBy, Role
from training.search.metrics import SeenInBands
from training.search.result import seen_in_prove_bands

EDGES = (0.0, 10.0, 20.0, 30.0, 40.0)
ROLES = {"0..10 C": Role.FIT, "10..20 C": Role.PROVE, "20..30 C": Role.CHOOSE, "30..40 C": Role.CALIBRATE}


def by_temperature(data: FrozenData, degrees: np.ndarray, roles: dict[str, Role]) -> FrozenData:
    """The same four units, each now a band of its own, with its frames measured at these temperatures."""
    frozen = replace(data.frozen, group_by=GroupBy.TEMPERATURE, edges_c=EDGES, roles=tuple(roles.items()))
    return replace(data, frozen=frozen, temperature_c=degrees)


def test_frames_measured_inside_a_proved_band_are_counted(made_up: Callable[..., FrozenData]) -> None:
    """Those to fit and choose on, whatever band their mark lies in; an edge belongs to the band above it, and
    what nobody measured is inside none.
    """
    data = made_up(units=4, frames=10, choose=1, prove=1)
    degrees = np.repeat([5.0, 15.0, 25.0, 35.0], 10)
    assert seen_in_prove_bands(by_temperature(data, degrees, ROLES)) == SeenInBands(20, 0)
    degrees[[0, 1, 2, 20, 21, 30, 31, 32]] = [9.99, 10.0, 10.0, 20.0, np.nan, 15.0, 15.0, 15.0]
    assert seen_in_prove_bands(by_temperature(data, degrees, ROLES)) == SeenInBands(20, 2)
    two = ROLES | {"30..40 C": Role.PROVE}
    degrees[29] = 39.0
    assert seen_in_prove_bands(by_temperature(data, degrees, two)) == SeenInBands(20, 3)


def test_other_groups_have_no_such_figure(made_up: Callable[..., FrozenData]) -> None:
    """Nor has a set in which nothing is proved."""
    data = made_up(units=4, frames=10, choose=1, prove=1)
    assert seen_in_prove_bands(data) is None
    unproved = by_temperature(data, np.full(40, 5.0), dict.fromkeys(ROLES, Role.FIT))
    assert seen_in_prove_bands(unproved) is None
