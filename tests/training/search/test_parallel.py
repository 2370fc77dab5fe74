"""Where fits are done changes no bit, and neither does the order that they are done in."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pytest

from dataset.pools import HERE, Round, Task
from dataset.records import FrozenData
from training.program import digest
from training.search.array_recipes import ALL, STILL, ArrayRecipe
from training.search.arrays import train_array
from training.search.context import SearchRequest, by_roles, hardware_of

RECIPES = (
    ArrayRecipe((4,), 16, (4,), STILL, False, "full", steps=3),
    ArrayRecipe((6,), 16, (4,), ALL, True, "full", steps=3),
)


class Shuffled:
    """A pool that does tasks here, in an order of its own, and notes what it took."""

    same_files = True

    def small(self) -> Shuffled:
        return self

    def __init__(self, seed: int) -> None:
        self.rng, self.taken = np.random.default_rng(seed), list[str]()

    @contextmanager
    def begin(self) -> Iterator[Round]:
        with HERE.begin() as begun:
            yield ShuffledRound(self, begun)


class ShuffledRound:
    def __init__(self, pool: Shuffled, begun: Round) -> None:
        self.pool, self.begun, self.waiting = pool, begun, list[Task]()

    def share(self, value: Any) -> Any:
        return self.begun.share(value)

    def add(self, task: Task) -> None:
        self.pool.taken.append(task.name)
        self.waiting.append(task)

    def __iter__(self) -> Iterator[tuple[Hashable, Any]]:
        while self.waiting:
            self.begun.add(self.waiting.pop(int(self.pool.rng.integers(len(self.waiting)))))
            yield from self.begun


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
    assert sum(name.startswith("fitted") for name in shuffled.taken) > len(RECIPES)
    assert sum(name.startswith("judged") for name in shuffled.taken) == len(RECIPES)
