"""What state a row is in, by the conditions stated of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.records import Conditions, CountLaw, FrozenData, Surface, Wall
from training.models.nets import NetPlan
from training.models.trimming import SHARE_ONE, Trimming
from training.models.watch import States, WatchRows, fit_condition_net, fit_error_net, make_strange, states_of

PLAIN, ROUGH = Conditions(), "rough"
PADS = Trimming((), CountLaw.RISES, 0, (0,) * 6, (1,) * 6, (0, 1), (1, 1), (), (), ())


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


def test_one_net_tells_errors_and_what_is_strange_the_other_foam_and_film() -> None:
    """Made-up tanks of six pads: foam rests on every other one, film hangs above it, and under foam the level
    is off.
    """
    rng, n = np.random.default_rng(0), 600
    level = rng.uniform(1, 5, (n, 1))
    shares = np.clip(level - np.arange(6), 0, 1)
    foam, film = np.arange(n) % 2 == 0, np.arange(n) % 3 == 0
    shares += 0.3 * foam[:, None] * (np.arange(6) == np.ceil(level)) + 0.1 * film[:, None] * (shares == 0)
    shares = SHARE_ONE * shares + rng.normal(0, 4, shares.shape)
    no = np.zeros(n, np.bool_)
    rows = WatchRows(shares, shares, States(foam, film, no, no, ~foam & ~film), np.arange(n) % 4)
    plan = NetPlan((8, 4), seed=0, steps=40, starts=2)
    error = fit_error_net(rows, 0.5 * foam, ("shares",), PADS, plan)
    doubt, strange = error.predict(shares).T
    seen_foam, seen_film = fit_condition_net(rows, plan).predict(shares).T
    odd = error.predict(make_strange(shares, np.random.default_rng(1), 300))[:, 1]
    assert doubt[foam].mean() > 0.35
    assert doubt[~foam].mean() < 0.2
    assert np.median(odd) > 0.5 > np.quantile(strange, 0.95)
    assert seen_foam[foam].mean() > 0.8
    assert seen_foam[~foam].mean() < 0.2
    assert seen_film[film].mean() > 0.8
    assert seen_film[~film].mean() < 0.2
