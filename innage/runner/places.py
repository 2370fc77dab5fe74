"""Where a queue of jobs is: an open store, or, looking the same, what is at the other end of a line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from innage.runner.queueing import add_job

if TYPE_CHECKING:
    from dataset.records import JobEvent, QueuedJob
    from dataset.store import Store
    from dataset.words import JobState


class QueuePlace(Protocol):
    """Where jobs are queued, looked at and cancelled."""

    def add(self, kind: str, settings: Mapping[str, Any], files: Mapping[str, bytes]) -> QueuedJob:
        """As :func:`innage.runner.queueing.add_job`."""
        ...

    def jobs(self, states: Sequence[JobState], limit: int) -> tuple[QueuedJob, ...]:
        """The jobs in these states, or all, the newest first, at most so many."""
        ...

    def job(self, ref: str) -> QueuedJob:
        """The job whose key begins with ``ref``, refused where there is none."""
        ...

    def events(self, ref: str, after: int = 0) -> tuple[JobEvent, ...]:
        """What is told of a job behind an event's number, in order."""
        ...

    def cancel(self, ref: str) -> QueuedJob:
        """Ask for a job to end, refused where it succeeded or failed; once more changes nothing."""
        ...

    def file(self, ref: str, sha256: str) -> bytes:
        """The bytes of a file of a job, by their hash."""
        ...


class AtHand:
    """An open store as a :class:`QueuePlace`."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add(self, kind: str, settings: Mapping[str, Any], files: Mapping[str, bytes]) -> QueuedJob:
        """As of :class:`QueuePlace`."""
        return add_job(self._store, kind, settings, files)

    def jobs(self, states: Sequence[JobState], limit: int) -> tuple[QueuedJob, ...]:
        """As of :class:`QueuePlace`."""
        return self._store.queued_jobs(states, limit)

    def job(self, ref: str) -> QueuedJob:
        """As of :class:`QueuePlace`."""
        return self._store.queued_job(ref)

    def events(self, ref: str, after: int = 0) -> tuple[JobEvent, ...]:
        """As of :class:`QueuePlace`."""
        return self._store.job_events(ref, after)

    def cancel(self, ref: str) -> QueuedJob:
        """As of :class:`QueuePlace`."""
        return self._store.cancel_job(ref)

    def file(self, ref: str, sha256: str) -> bytes:
        """As of :class:`QueuePlace`."""
        return self._store.job_file(ref, sha256)
