"""What every pool of workers is asked: take a value that many tasks need, take tasks, give back results."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from itertools import islice
from typing import Any, Protocol

from threadpoolctl import threadpool_info, threadpool_limits

from dataset.errors import ToolError

AHEAD = 256  # tasks that wait or run, of those whose results are wanted in order


@dataclass(frozen=True)
class Task:
    """A unit of work: a function at the top of a module, what it is given, and the key that its result comes
    back under. Long enough to be worth the way, 0.1 s or more.
    """

    key: Hashable
    work: Callable[..., Any]
    given: tuple[Any, ...]

    @property
    def name(self) -> str:
        """What it is called where it failed."""
        return f"{self.work.__name__.strip('_').replace('_', ' ')} {self.key}"


class Round(Protocol):
    """Tasks under way, one block of ``with``; those that are left when it ends are given up."""

    def share(self, value: Any) -> Any:
        """What stands for ``value`` in ``Task.given``: it goes to each worker once, however many tasks have
        it.
        """

    def add(self, task: Task) -> None:
        """Take a task; those that came first begin first."""

    def __iter__(self) -> Iterator[tuple[Hashable, Any]]:
        """Key and result of each task, as they come, until none is left; tasks may be added meanwhile.

        Raises what a task raised. WorkersLostError: its workers ended each time.
        """


class Pool(Protocol):
    """Where tasks are done; ``same_files``: whether workers see the files of this machine."""

    @property
    def same_files(self) -> bool: ...

    def begin(self) -> AbstractContextManager[Round]:
        """A round of tasks."""

    def small(self) -> Pool:
        """Where tasks are done that take less than it takes to start workers."""


def as_asked(
    pool: Pool, tasks: Callable[[Callable[[Any], Any]], Iterable[Task]], ahead: int = AHEAD
) -> Iterator[Any]:
    """The results of tasks, in their order whatever order they come in. ``tasks`` is called with
    :meth:`Round.share`; they are taken as they are needed, at most ``ahead`` beyond the result waited for.
    """
    with pool.begin() as begun:
        waiting, order = iter(tasks(begun.share)), deque[Hashable]()
        results: dict[Hashable, Any] = {}

        def fill() -> None:
            for task in islice(waiting, ahead - len(order)):
                begun.add(task)
                order.append(task.key)

        fill()
        for key, result in begun:
            results[key] = result
            while order and order[0] in results:
                yield results.pop(order.popleft())
                fill()


def on_one_thread(work: Callable[..., Any], given: Sequence[Any]) -> Any:
    """``work`` of what is given, on a worker of its own process. Sums in another order, as several threads
    make them, end in other last bits: the limit stays when the work is done, since a worker whose tasks are
    threads would give back a limit that another task still needs, and it is looked at behind the work.
    """
    threadpool_limits(limits=1)
    result = work(*given)
    several = [
        f"{library['internal_api']} with {library['num_threads']}"
        for library in threadpool_info()
        if library["num_threads"] != 1
    ]
    if several:
        raise ToolError(
            "a worker",
            f"threads of linear algebra: {', '.join(several)}",
            "one, as everywhere",
            "something else in its process asked for more: give the work workers of its own",
        )
    return result
