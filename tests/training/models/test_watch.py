"""What state a row is in, by the conditions stated of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from dataset.records import Conditions, FrozenData, Surface, Wall
from training.models.watch import states_of

PLAIN, ROUGH = Conditions(), "rough"


@pytest.mark.parametrize(
    ("stated", "state"),
    [
        (PLAIN, "clean"),
        (Conditions(surface=(Surface.STILL,), wall=(Wall.CLEAN,)), "clean"),
        (Conditions(surface=(Surface.FOAM,)), "foam"),
        (Conditions(wall=(Wall.FILM,)), "film"),
        (Conditions(wall=(Wall.DROPS,)), "film"),
        (Conditions(wall=(Wall.SCALE,)), ROUGH),
        (Conditions(surface=(Surface.SLOSHING,)), ROUGH),
    ],
    ids=str,
)
def test_what_is_stated_of_a_row(made_up: Callable[..., FrozenData], stated: Conditions, state: str) -> None:
    """Scale on the wall and sloshing are neither foam nor film, and no clean tank."""
    data = replace(made_up(units=5, frames=10), conditions=(stated,))
    states, wet = states_of(data), data.level_mm > 0
    rows = {"clean": states.clean, "foam": states.foam, "film": states.film}
    assert {name for name, those in rows.items() if those[wet].any()} == {state} - {ROUGH}
    assert all(those[wet].all() for name, those in rows.items() if name == state)
