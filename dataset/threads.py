"""Work on several cores: for what lets go of the interpreter while it runs (hashes, compression, arrays)."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")
MOST_THREADS = 8


def each(work: Callable[[T], R], items: Sequence[T], threads: int | None = None) -> list[R]:
    """``work`` of each item, in their order, on as many threads as there are cores; the first error of the
    first item that has one.
    """
    threads = min(len(items), threads or cores())
    if threads < 2:
        return [work(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, items))


def begun(work: Callable[[T], R], items: Sequence[T]) -> Callable[[], list[R]]:
    """As :func:`each`, begun at once while the caller does something else; the call of what is returned waits
    for it. On one core all is done before this returns.
    """
    threads = min(len(items), cores())
    if cores() < 2 or not threads:
        done = [work(item) for item in items]
        return lambda: done
    pool = ThreadPoolExecutor(threads)
    running = [pool.submit(work, item) for item in items]
    pool.shutdown(wait=False)
    return lambda: [one.result() for one in running]


def cores() -> int:
    """How many cores this process may use, at most :data:`MOST_THREADS`."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(usable, MOST_THREADS)
