"""A pool that does tasks in this process, in an order of its own."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from dataset.pools import HERE, Round, Task


class Shuffled:
    """A pool that does tasks here, in an order drawn by ``seed``, and notes what it ``took``."""

    same_files = True

    def __init__(self, seed: int) -> None:
        self.rng, self.took = np.random.default_rng(seed), list[str]()

    def small(self) -> Shuffled:
        return self

    @contextmanager
    def begin(self) -> Iterator[Round]:
        with HERE.begin() as begun:
            yield _ShuffledRound(self, begun)


class _ShuffledRound:
    def __init__(self, pool: Shuffled, begun: Round) -> None:
        self.pool, self.begun, self.waiting = pool, begun, list[Task]()

    def share(self, value: Any) -> Any:
        return self.begun.share(value)

    def add(self, task: Task) -> None:
        self.pool.took.append(task.name)
        self.waiting.append(task)

    def __iter__(self) -> Iterator[tuple[Hashable, Any]]:
        while self.waiting:
            self.begun.add(self.waiting.pop(int(self.pool.rng.integers(len(self.waiting)))))
            yield from self.begun
