"""How many requests one token or address may make."""

from __future__ import annotations

import time
from collections.abc import Callable

MOST_KNOWN = 10_000  # callers that are counted at the same time


class Rate:
    """A bucket for each caller: it holds ``at_once`` requests and fills again with ``per_second`` of them."""

    def __init__(self, per_second: float, at_once: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._per_second, self._at_once, self._clock = per_second, at_once, clock
        self._buckets: dict[str, tuple[float, float]] = {}  # what was left, and when

    def wait_s(self, caller: str, requests: float = 1.0) -> float:
        """Take so many requests out of the caller's bucket; how long to wait where they are not in it."""
        now = self._clock()
        left, since = self._buckets.pop(caller, (float(self._at_once), now))
        left = min(left + (now - since) * self._per_second, float(self._at_once))
        wait = max(requests - left, 0.0) / self._per_second
        self._buckets[caller] = (left - requests if wait == 0.0 else left, now)
        while len(self._buckets) > MOST_KNOWN:
            del self._buckets[next(iter(self._buckets))]  # who was silent for longest
        return wait
