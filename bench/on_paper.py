"""The default search of a pad array laid on workers on paper: how long it would take on 1 to 128 of them.

    python bench/on_paper.py STORE FROZEN [--budget NAME] [--limits NAME] [--workers N ...]

Each task is done once in this process, and the processor time that it takes is kept with its result. Then the
same search runs for each number of workers by a clock of its own: a free worker takes the task that waits
longest, a task takes its time and 20 ms for the way, and what the search does itself between two results
takes its processor time. So what waits for what is what the search itself waits for. Printed is how many
times as fast it is as on one worker, the chain of tasks that it waits for with the most workers, and what
moves. Ends with exit code 1 where the programs differ by a byte.
"""

from __future__ import annotations

import heapq
import os
import pickle
import sys
from collections import Counter, deque
from collections.abc import Hashable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import asked_search
import joblib
from threadpoolctl import threadpool_limits

from dataset.pools import Round, Task
from training.program import digest
from training.search.train import train

WAY_S = 0.02  # of a task: to a worker and back
WORKERS = (1, 2, 4, 8, 16, 32, 128)


@dataclass(frozen=True)
class Done:
    """A task that was done: its result, the processor time that it took, s, and bytes of task and result."""

    result: Any
    took_s: float
    moved: int


@dataclass
class Known:
    """What was done of all tasks, by the number of their round and their key; what they share, by its id, and
    its bytes by its hash.
    """

    done: dict[tuple[int, Hashable], Done] = field(default_factory=dict)
    shared: dict[int, Any] = field(default_factory=dict)
    sizes: dict[str, int] = field(default_factory=dict)

    def of(self, number: int, task: Task) -> Done:
        """The task done, now or before."""
        if (number, task.key) not in self.done:
            began = processor_s()
            with threadpool_limits(limits=1):
                result = task.work(*task.given)
            took = processor_s() - began
            own = [one for one in task.given if id(one) not in self.shared]
            moved = len(pickle.dumps((task.work, own))) + len(pickle.dumps(result))
            self.done[number, task.key] = Done(result, took, moved)
        return self.done[number, task.key]

    def share(self, value: Any) -> None:
        """Weigh a value that tasks share, like ones once."""
        if id(value) not in self.shared:
            self.shared[id(value)] = value  # kept, so that nothing else gets its id
            self.sizes[str(joblib.hash(value, "sha1"))] = len(pickle.dumps(value))


@dataclass(frozen=True)
class Step:
    """A task on paper: how it is called, when it ended and how long it took, s; what the search had last
    waited for when it gave it.
    """

    name: str
    end: float
    took_s: float
    before: Step | None


class OnPaper:
    """A pool of workers with a clock that only runs on paper."""

    same_files = True

    def __init__(self, workers: int, known: Known) -> None:
        self.workers, self.known = workers, known
        self.now, self.last, self.rounds = 0.0, processor_s(), 0
        self.waited: Step | None = None

    def tick(self) -> None:
        """What the search did itself since the last look takes time too."""
        at = processor_s()
        self.now, self.last = self.now + at - self.last, at

    def small(self) -> OnPaper:
        return self

    @contextmanager
    def begin(self) -> Iterator[Round]:
        self.tick()
        self.rounds += 1
        yield PaperRound(self, self.rounds)
        self.tick()


class PaperRound:
    """A round: tasks wait until a worker is free before the next result comes."""

    def __init__(self, pool: OnPaper, number: int) -> None:
        self.pool, self.number = pool, number
        self.waiting = deque[tuple[float, Step | None, Task]]()
        self.running: list[tuple[float, int, Hashable, Any, Step]] = []
        self.free = [pool.now] * pool.workers
        self.begun = 0

    def share(self, value: Any) -> Any:
        self.pool.tick()
        self.pool.known.share(value)
        self.pool.last = processor_s()
        return value

    def add(self, task: Task) -> None:
        self.pool.tick()
        self.waiting.append((self.pool.now, self.pool.waited, task))

    def __iter__(self) -> Iterator[tuple[Hashable, Any]]:
        pool = self.pool
        while self.waiting or self.running:
            pool.tick()
            while self.waiting and (
                not self.running or max(self.free[0], self.waiting[0][0]) < self.running[0][0]
            ):
                self._begin(*self.waiting.popleft())
            end, _, key, result, step = heapq.heappop(self.running)
            if end > pool.now:
                pool.now, pool.waited = end, step
            pool.last = processor_s()
            yield key, result

    def _begin(self, added: float, before: Step | None, task: Task) -> None:
        done = self.pool.known.of(self.number, task)
        end = max(heapq.heappop(self.free), added) + WAY_S + done.took_s
        heapq.heappush(self.free, end)
        self.begun += 1
        step = Step(task.name, end, done.took_s, before)
        heapq.heappush(self.running, (end, self.begun, task.key, done.result, step))


def processor_s() -> float:
    """Processor time of this process and of those that it waited for, s."""
    return sum(os.times()[:4])


def main() -> int:
    """The table; 1 where programs differ."""
    parser = asked_search.parser(__doc__)
    parser.add_argument("--workers", type=int, nargs="+", default=WORKERS)
    given = parser.parse_args()
    data, request = asked_search.read(given)
    known, programs, first = Known(), set[str](), None
    for workers in given.workers:
        pool = OnPaper(workers, known)
        programs.add(digest(train(data, replace(request, pool=pool)).program))
        pool.tick()
        first = first or pool.now
        print(f"{workers} workers: {pool.now:.1f} s, {first / pool.now:.1f} times as fast", flush=True)
    tell(known, pool)
    print("one program" if len(programs) == 1 else f"{len(programs)} programs that differ")
    return 0 if len(programs) == 1 else 1


def tell(known: Known, pool: OnPaper) -> None:
    """What tasks there are, what is waited for one after the other, and what moves."""
    kinds = Counter(kind_of(key) for key in known.done)
    for kind, count in kinds.items():
        took = [done.took_s for key, done in known.done.items() if kind_of(key) == kind]
        print(f"{count} tasks '{kind}': {min(took):.2f} to {max(took):.2f} s, {sum(took):.0f} s together")
    chain, step = list[Step](), pool.waited
    while step is not None:
        chain.append(step)
        step = step.before
    at = 0.0
    for step in reversed(chain):
        own = step.end - step.took_s - WAY_S - at
        print(f"  {own:5.1f} s by the search itself or waiting, then {step.took_s:5.1f} s {step.name[:90]}")
        at = step.end
    print(f"  {pool.now - at:5.1f} s by the search itself to the end, at {pool.now:.1f} s")
    shared = sum(known.sizes.values())
    moved = sum(done.moved for done in known.done.values())
    print(f"{shared / 1e6:.1f} MB shared, {moved / 1e6:.1f} MB of tasks and results")


def kind_of(key: tuple[int, Hashable]) -> str:
    """What a task is, where its key says."""
    named = key[1][0] if isinstance(key[1], tuple) else key[1]
    return named if isinstance(named, str) else f"of round {key[0]}"


if __name__ == "__main__":
    sys.exit(main())
