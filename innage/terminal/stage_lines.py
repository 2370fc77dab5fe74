"""Progress where no terminal is: a line a stage, so that the log of a build says what takes so long. Apart
from the line that moves, whose library takes longer to be imported than a pipe has to wait for.
"""

from __future__ import annotations

import time
from collections.abc import Callable

QUIET_S = 5.0  # what is done sooner says nothing but its result
AGAIN_S = 60.0


class StageLines:
    """Says a stage as it begins, and how far it is once a minute; nothing in the first seconds."""

    def __init__(
        self, title: str, say: Callable[[str], None], get_time: Callable[[], float] | None = None
    ) -> None:
        self._title, self._say, self._time = title, say, get_time or time.monotonic
        self._began = self._time()
        self._stage, self._done, self._total = "", 0, -1
        self._said_at: float | None = None

    def moved(self, what: str, done: int, total: int) -> None:
        """Say what is being done, and how much of it is; another total, less than before, or another thing of
        which nothing is done yet begins another stage.
        """
        if total != self._total or done < self._done or (done == 0 and what != self._stage):
            self._stage, self._said_at = what, None
        self._done, self._total = done, total
        now = self._time()
        waited = QUIET_S if self._said_at is None else AGAIN_S
        if now - (self._said_at or self._began) < waited:
            return
        if self._said_at is None and done == total:
            return  # over before there was time to say so
        from innage.terminal.clock import clock

        many = f", {done} of {total}" if total > 1 else ""
        self._say(f"{self._title}: {what}{many} (after {clock(now - self._began)})")
        self._said_at = now
