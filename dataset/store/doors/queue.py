"""The queue of jobs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Self

from sqlalchemy.orm import Session as OrmSession

from dataset.records import Held, JobEvent, JobResult, NewJob, QueuedJob
from dataset.store.doors.transactions import Transactions
from dataset.store.queue import adding, events, leases
from dataset.store.team import auditing
from dataset.words import JobEventKind, JobReason, JobState


class QueueDoor(Transactions):
    """Jobs: queued, watched, asked to end; and what a runner does with one."""

    def queue_job(self, new: NewJob) -> QueuedJob:
        """Put a job into the queue, or give the one of the same identity that is queued or runs. What it asks
        for is for the caller to look at; see ``innage.runner``.

        Raises:
            InputError: too many jobs wait, or a file that is too large.
        """
        return self._write(lambda orm: adding.add(orm, new, self._actor or auditing.at_command_line(orm)))

    def queued_jobs(self, states: Sequence[JobState] = (), most: int | None = None) -> tuple[QueuedJob, ...]:
        """The jobs in these states, or all, the newest first, at most so many."""
        return self._read(lambda orm: adding.jobs(orm, states, most))

    def queued_job(self, ref: str) -> QueuedJob:
        """The job whose key begins with ``ref``, its hash checked.

        Raises:
            NotFoundError: no such job. InputError: too few digits.
        """
        return self._read(lambda orm: adding.job(orm, ref))

    def job_events(self, ref: str, after: int = 0, most: int | None = None) -> tuple[JobEvent, ...]:
        """What is told of a job behind an event's number, in order, at most so many."""
        return self._read(lambda orm: events.events(orm, ref, after, most))

    def job_file(self, ref: str, sha256: str) -> bytes:
        """The bytes of a file that a job works on or made, by their hash, which is checked; NotFoundError
        where it has no such file.
        """
        return self._read(lambda orm: adding.file(orm, ref, sha256))

    def cancel_job(self, ref: str) -> QueuedJob:
        """Ask for a job to end: at once where it is queued, at the next step of its runner where it runs. One
        that was cancelled before stays as it is.

        Raises:
            ChangedMeanwhileError: it succeeded or failed. NotFoundError: no such job.
        """
        return self._write(lambda orm: adding.cancel(orm, ref, self._actor or auditing.at_command_line(orm)))

    # -- what a runner does ----------------------------------------------------------------------------------

    def holding(self, held: Held) -> Self:
        """The same open store for a job that a runner holds: all that is written through it is refused once
        another runner has taken the job, an opening of 'prove' is counted once, and the job's events tell
        what was written.

        Its methods raise LeaseLostError where the job is no longer held.
        """
        other = self._copied()
        other._held = held
        return other

    def claim_job(
        self, runner: str, versions: Mapping[str, str], lease_s: float = leases.LEASE_S
    ) -> QueuedJob | None:
        """Take the oldest queued job that asks for these versions, for so many seconds by the database's
        clock; None where there is none. Jobs of runners that went silent are put back first.
        """
        return self._database.write(lambda orm: leases.claim(orm, runner, versions, lease_s))

    def jobs_of_other_versions(self, versions: Mapping[str, str]) -> tuple[QueuedJob, ...]:
        """The queued jobs that a runner of these versions does not take."""
        return self._read(lambda orm: adding.versions_wanted(orm, versions))

    def extend_lease(self, held: Held, lease_s: float = leases.LEASE_S) -> None:
        """Say that the runner of a job is there."""
        self._database.write(lambda orm: leases.extend(orm, held, lease_s))

    def tell_of_job(self, held: Held, kind: JobEventKind, text: str) -> None:
        """Keep a line of a job's log or progress, of which a bounded number is kept."""
        self._database.write(lambda orm: leases.tell(orm, held, kind, text))

    def give_job_back(self, held: Held) -> None:
        """Put a job back into the queue, as if this attempt had not been."""
        self._database.write(lambda orm: leases.give_back(orm, held))

    def attempt_lost(self, held: Held, text: str) -> None:
        """Put a job back into the queue whose attempt was lost, or let it fail where it was tried often
        enough.
        """
        self._database.write(lambda orm: leases.attempt_lost(orm, held, text))

    def job_cancelled(self, held: Held) -> None:
        """End a job that was asked to end."""
        self._database.write(lambda orm: leases.cancelled(orm, held))

    def job_failed(self, held: Held, reason: JobReason, text: str) -> None:
        """End a job that cannot be done, and say why."""
        self._database.write(lambda orm: leases.failed(orm, held, reason, text))

    def job_succeeded(
        self,
        held: Held,
        hashes: Mapping[str, str],
        outputs: Mapping[str, bytes],
        said: str | None = None,
    ) -> QueuedJob:
        """End a job that came to something, and keep the files that it made; it fails, with the reason
        'result_differs', where an earlier one of its identity came to something else. See
        :class:`dataset.records.JobResult`.

        Raises:
            InputError: a file that is too large.
        """

        def work(orm: OrmSession) -> QueuedJob:
            leases.held_row(orm, held)
            kept = {name: adding.keep_file(orm, content) for name, content in outputs.items()}
            return leases.succeeded(orm, held, JobResult(dict(hashes), kept, said))

        return self._database.write(work)

    def last_written(self) -> str:
        """A hash that is another once anything was written that an audit chain would tell, beside tokens and
        the queue itself.
        """
        return self._read(auditing.state)
