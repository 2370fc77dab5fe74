"""Tasks in this process, one after the other."""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Iterator
from contextlib import contextmanager
from typing import Any

from threadpoolctl import threadpool_limits

from dataset.pools.pool import Round, Task


class Here:
    """This process."""

    same_files = True

    @contextmanager
    def begin(self) -> Iterator[Round]:
        """As :meth:`dataset.pools.pool.Pool.begin`."""
        yield OneByOne()

    def small(self) -> Here:
        """As :meth:`dataset.pools.pool.Pool.small`."""
        return self


class OneByOne:
    """A round in this process: a task is done when its result is asked for."""

    def __init__(self) -> None:
        self._waiting = deque[Task]()

    def share(self, value: Any) -> Any:
        """The value itself."""
        return value

    def add(self, task: Task) -> None:
        """As :meth:`dataset.pools.pool.Round.add`."""
        self._waiting.append(task)

    def __iter__(self) -> Iterator[tuple[Hashable, Any]]:
        """As :meth:`dataset.pools.pool.Round.__iter__`."""
        while self._waiting:
            task = self._waiting.popleft()
            with threadpool_limits(limits=1):
                result = task.work(*task.given)
            yield task.key, result


HERE = Here()
