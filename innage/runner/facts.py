"""What is told of a job, ready for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dataset.store.queue.adding import files_of

if TYPE_CHECKING:
    from dataset.records import JobEvent, QueuedJob


def job_facts(job: QueuedJob) -> dict[str, Any]:
    """A job: what was asked, where it stands, what it came to."""
    return {
        "job": job.key,
        "identity": job.identity,
        "kind": job.kind,
        "settings": dict(job.settings),
        "inputs": dict(job.inputs),
        "versions": dict(job.versions),
        "asked_at": job.asked_at,
        "asked_by": job.asked_by,
        "state": job.state.value,
        "attempts": job.attempts,
        "cancel_requested": job.cancel_requested,
        "reason": None if job.reason is None else job.reason.value,
        "result": None if job.result is None else dict(job.result.hashes),
        "files": dict(files_of(job)),
        "ended": job.ended,
    }


def event_facts(event: JobEvent) -> dict[str, Any]:
    """Something that is told of a job."""
    return {
        "number": event.number,
        "at": event.at,
        "attempt": event.attempt,
        "kind": event.kind.value,
        "text": event.text,
        "object_sha256": event.object_sha256,
    }
