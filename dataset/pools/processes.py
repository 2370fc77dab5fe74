"""Tasks in processes of this machine. What they share lies in files that each maps into its memory."""

from __future__ import annotations

import tempfile
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import joblib

from dataset.errors import WorkersLostError
from dataset.pools.here import HERE, Here, OneByOne
from dataset.pools.pool import Round, Task, on_one_thread

MOST_TRIES = 3  # of a task whose process ended
_IDLE_S = 300  # after which a process that has nothing to do ends
_MOST_KEPT = 8  # shared values that a process keeps mapped
_ONE_THREAD = {f"{library}_NUM_THREADS": "1" for library in ("OPENBLAS", "OMP", "MKL", "BLIS", "VECLIB")}
_LOADED = OrderedDict[Path, Any]()  # in a worker


@dataclass(frozen=True)
class Processes:
    """Processes of this machine, ``count`` of them, -1 for one on every core; one is this process."""

    count: int = -1
    same_files: ClassVar[bool] = True

    @contextmanager
    def begin(self) -> Iterator[Round]:
        """As :meth:`dataset.pools.pool.Pool.begin`."""
        processes = joblib.effective_n_jobs(self.count)
        if processes == 1:
            yield OneByOne()
            return
        with tempfile.TemporaryDirectory(prefix="innage-", ignore_cleanup_errors=True) as folder:
            begun = _SideBySide(processes, Path(folder))
            try:
                yield begun
            except GeneratorExit:
                begun.cancel()
                raise
            except BaseException:
                begun.end()
                raise
            begun.cancel()

    def small(self) -> Here:
        """This process: to start others takes seconds."""
        return HERE


ALL_CORES, TWO = Processes(), Processes(2)


@dataclass(frozen=True)
class _Filed:
    """A shared value, by the file that it lies in."""

    path: Path


class _SideBySide:
    """A round on processes that are kept for the next one."""

    def __init__(self, processes: int, folder: Path) -> None:
        self._processes, self._folder = processes, folder
        self._shared: dict[int, tuple[Any, _Filed]] = {}
        self._running: dict[Future[Any], Task] = {}
        self._tries: dict[Hashable, int] = {}

    def share(self, value: Any) -> _Filed:
        """A file with the value, for as long as the round."""
        if id(value) not in self._shared:
            path = self._folder / f"{len(self._shared)}.shared"
            joblib.dump(value, path)
            self._shared[id(value)] = value, _Filed(path)  # kept, so that nothing else gets its id
        return self._shared[id(value)][1]

    def add(self, task: Task) -> None:
        """As :meth:`dataset.pools.pool.Round.add`."""
        self._running[self._executor().submit(_run, task.work, task.given)] = task

    def __iter__(self) -> Iterator[tuple[Hashable, Any]]:
        """As :meth:`dataset.pools.pool.Round.__iter__`."""
        while self._running:
            done, _ = wait(self._running, return_when=FIRST_COMPLETED)
            for future in [future for future in self._running if future in done]:
                task = self._running.pop(future, None)
                if task is None:  # given to new processes meanwhile
                    continue
                try:
                    result = future.result()
                except BrokenProcessPool:
                    self._again(task)
                    continue
                yield task.key, result

    def cancel(self) -> None:
        """Begin nothing more."""
        for future in self._running:
            future.cancel()

    def end(self) -> None:
        """End what runs, and the processes. Nothing is cancelled before: the thread that manages processes
        ends every task that waits, and trips over one that was cancelled (InvalidStateError), so that nobody
        would end the rest.
        """
        self._executor().shutdown(wait=True, kill_workers=True)

    def _again(self, task: Task) -> None:
        """A process ended, and all tasks under way with it: new ones take them. Which task ended it nobody
        knows; each counts.
        """
        lost = [task, *self._running.values()]
        self._running.clear()
        for one in lost:
            tries = self._tries[one.key] = self._tries.get(one.key, 1) + 1
            if tries > MOST_TRIES:
                raise WorkersLostError(
                    "a process of this machine",
                    f"ended {MOST_TRIES} times while it worked on {one.name}",
                    "processes that live until their work is done",
                    "the system may have run out of memory: try it where there is more",
                )
        for one in lost:
            self.add(one)

    def _executor(self) -> Any:
        from joblib.externals.loky import get_reusable_executor

        return get_reusable_executor(max_workers=self._processes, timeout=_IDLE_S, env=_ONE_THREAD)


def _run(work: Callable[..., Any], given: tuple[Any, ...]) -> Any:
    """In a worker."""
    return on_one_thread(work, [_loaded(one.path) if isinstance(one, _Filed) else one for one in given])


def _loaded(path: Path) -> Any:
    """A shared value; its arrays are read when they are looked at, and cannot be written to."""
    if path not in _LOADED:
        _LOADED[path] = joblib.load(path, mmap_mode="r")
        while len(_LOADED) > _MOST_KEPT:
            _LOADED.popitem(last=False)
    _LOADED.move_to_end(path)
    return _LOADED[path]
