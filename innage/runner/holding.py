"""A job while a runner holds it: its lease kept, its progress told, and word of its end brought to it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Self

from dataset.errors import LeaseLostError, StoreError
from dataset.records import ID_DIGITS, Held
from dataset.words import JobEventKind

if TYPE_CHECKING:
    from dataset.store import Store

LEASES_A_BEAT = 3.0  # it is kept three times before it runs out


class StoppedError(BaseException):
    """The job is to end here. No error: whatever a job does about errors must not hold it up."""


class CancelledError(StoppedError):
    """Somebody asked for it to be cancelled."""


class RunnerStoppedError(StoppedError):
    """Its runner was asked to stop."""


class Holding:
    """Keeps a job for a runner, on a thread of its own, while the job runs on the caller's.

    Args:
        store: the store, which several threads may use.
        held: the job.
        lease_s: how long its lease runs from each time that it is kept, in seconds.
        tick_s: how often progress is written and cancellation looked for, in seconds.
        should_stop: whether the runner was asked to stop.
    """

    def __init__(
        self,
        store: Store,
        held: Held,
        *,
        lease_s: float,
        tick_s: float,
        should_stop: Callable[[], bool],
    ) -> None:
        self._store, self._held = store, held
        self._lease_s, self._tick_s, self._should_stop = lease_s, tick_s, should_stop
        self._latest = ""
        self._ended, self._cancelled, self._lost = threading.Event(), threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._beat, name=f"job {held.key[:ID_DIGITS]}", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._ended.set()
        self._thread.join()

    def progress(self, what: str, done: int, total: int, /) -> None:
        """Take note of how far the job is, which a beat writes down, and end it where that was asked.

        Raises:
            CancelledError, RunnerStoppedError: it is to end. LeaseLostError: another runner has it.
        """
        self._latest = f"{what}, {done} of {total}" if total > 1 else what
        self.check()

    def check(self) -> None:
        """As :meth:`progress`, with nothing to note."""
        if self._lost.is_set():
            raise LeaseLostError(f"job {self._held.key[:ID_DIGITS]}", "another runner holds it by now")
        if self._cancelled.is_set():
            raise CancelledError
        if self._should_stop():
            raise RunnerStoppedError

    def _beat(self) -> None:
        kept, told = time.monotonic(), ""
        while not self._ended.wait(self._tick_s):
            try:
                job = self._store.queued_job(self._held.key)
                if job.fence != self._held.fence or job.state.has_ended:
                    self._lost.set()
                    return
                if job.cancel_requested:
                    self._cancelled.set()
                if time.monotonic() - kept >= self._lease_s / LEASES_A_BEAT:
                    self._store.extend_lease(self._held, self._lease_s)
                    kept = time.monotonic()
                if self._latest != told:
                    told = self._latest
                    self._store.tell_of_job(self._held, JobEventKind.PROGRESS, told)
            except LeaseLostError:
                self._lost.set()
                return
            except StoreError:
                continue  # busy, or its server is away: the next beat, or the end of the lease, will tell
