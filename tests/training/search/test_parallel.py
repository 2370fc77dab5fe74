"""Where fits are done changes no bit, and neither does the order that they are done in."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from pools import Shuffled

from dataset.pools import HERE, TWO
from dataset.records import FrozenData
from training.program import digest
from training.search import search as searches
from training.search.array_recipes import ALL, STILL, ArrayRecipe
from training.search.arrays import train_array
from training.search.context import SearchRequest, by_roles, hardware_of
from training.search.train import train

RECIPES = (
    ArrayRecipe((4,), 16, (4,), STILL, False, "full", steps=3),
    ArrayRecipe((6,), 16, (4,), ALL, True, "full", steps=3),
)


@pytest.mark.slow
def test_a_pool_takes_the_fits_in_any_order(make_strip: Callable[..., FrozenData]) -> None:
    data, shuffled = make_strip(units=8, frames=20), Shuffled(1)
    hardware = hardware_of(data)
    alone, other = (
        train_array(by_roles(data, hardware, SearchRequest("m", pool=pool)), recipes=RECIPES)
        for pool in (HERE, shuffled)
    )
    assert digest(other.program) == digest(alone.program)
    assert other.metrics == alone.metrics
    assert sum(name.startswith("fitted") for name in shuffled.took) > len(RECIPES)
    assert sum(name.startswith("judged") for name in shuffled.took) == len(RECIPES)
    last = "random rows split by row", "float onnx float model", "proved prove", "cold starts power-on"
    assert [name for name in shuffled.took if name in last] == [*last]


@pytest.mark.slow
@pytest.mark.parametrize("family", ["line", "trees"])
def test_what_was_picked_is_scored_alike_in_two_processes(
    made_up: Callable[..., FrozenData], monkeypatch: pytest.MonkeyPatch, family: str
) -> None:
    """A curve and a forest, with all that is asked of them there; so few frames are scored here otherwise."""
    monkeypatch.setattr(searches, "WORTH_WORKERS", 0)
    data = made_up(frames=40)
    alone, other = (
        train(data, SearchRequest("m", progress=lambda *what: None, pool=pool), families=(family,))
        for pool in (HERE, TWO)
    )
    assert other.metrics == alone.metrics
    assert alone.metrics.claims is not None
    assert alone.metrics.claims.power_on is not None
    assert (digest(other.program), other.float_onnx) == (digest(alone.program), alone.float_onnx)
