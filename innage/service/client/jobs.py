"""Jobs at the other end of a line."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from dataset.errors import InputError, quoted
from dataset.records import JobEvent, JobResult, QueuedJob
from dataset.store.queue.rows import LEAST_DIGITS
from dataset.words import JobEventKind, JobReason, JobState
from innage.service.client.connection import Connection
from innage.service.messages import wire
from innage.service.messages.jobs import (
    MOST_EVENTS,
    MOST_LISTED,
    EventAnswer,
    JobAnswer,
    JobAsked,
    JobLog,
    Jobs,
)

_GIVEN = "in/"  # begins the names of files that a job works on
_DIGITS = frozenset("0123456789abcdef")
R = TypeVar("R")


class Queue(Connection):
    """The queue of a store behind a URL, as a :class:`innage.runner.places.QueuePlace`. Who asks is the
    holder of the token. What the server refuses is a ProblemError, an InputError.
    """

    def add(self, kind: str, settings: Mapping[str, Any], files: Mapping[str, bytes]) -> QueuedJob:
        """As of :class:`QueuePlace`: files are given to it first.

        Raises:
            InputError: as of :func:`innage.runner.queueing.add_job`; a file of more than 8 MiB.
        """
        self.protocol()
        named = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
        for name, content in files.items():
            if len(content) > wire.MOST_BLOB:
                raise InputError(
                    name,
                    f"{len(content) / (1 << 20):.1f} MiB",
                    f"at most {wire.MOST_BLOB >> 20} MiB each where they go to a server",
                    "cut the log in parts, or queue it on the store itself",
                )
        contents = {named[name]: content for name, content in files.items()}
        for digest in self.blobs_missing(list(contents)) if contents else ():
            self.send_blobs([(digest, contents[digest])])
        asked = JobAsked(kind=kind, settings=dict(settings), files=named)
        return self._job(self._json(JobAnswer, "POST", "/v1/jobs", asked))

    def jobs(self, states: Sequence[JobState], limit: int) -> tuple[QueuedJob, ...]:
        """As of :class:`QueuePlace`; InputError for more than the server lists."""
        if limit > MOST_LISTED:
            raise InputError("limit", str(limit), f"at most {MOST_LISTED} from a server", fields=("limit",))
        self.protocol()
        wanted = "".join(f"&state={state.value}" for state in dict.fromkeys(states))
        answer = self._json(Jobs, "GET", f"/v1/jobs?limit={limit}{wanted}")
        return tuple(map(self._job, answer.jobs))

    def job(self, ref: str) -> QueuedJob:
        """As of :class:`QueuePlace`."""
        self.protocol()
        return self._job(self._json(JobAnswer, "GET", f"/v1/jobs/{_key(ref)}"))

    def events(self, ref: str, after: int = 0) -> tuple[JobEvent, ...]:
        """As of :class:`QueuePlace`."""
        self.protocol()
        events: list[JobEvent] = []
        while True:
            answer = self._json(JobLog, "GET", f"/v1/jobs/{_key(ref)}/log?after={after}")
            events += map(self._event, answer.events)
            if len(answer.events) < MOST_EVENTS or events[-1].number <= after:
                return tuple(events)
            after = events[-1].number

    def cancel(self, ref: str) -> QueuedJob:
        """As of :class:`QueuePlace`."""
        self.protocol()
        return self._job(self._json(JobAnswer, "POST", f"/v1/jobs/{_key(ref)}/cancel"))

    def file(self, ref: str, sha256: str) -> bytes:
        """As of :class:`QueuePlace`; InputError where other bytes come."""
        content = self._ask("GET", f"/v1/jobs/{_key(ref)}/files/{_key(sha256)}")
        if hashlib.sha256(content).hexdigest() != sha256:
            raise self._odd(f"gives other bytes than those of file {sha256[:12]}")
        return content

    def _job(self, told: JobAnswer) -> QueuedJob:
        outputs = {name: digest for name, digest in told.files.items() if not name.startswith(_GIVEN)}
        return QueuedJob(
            told.job,
            told.identity,
            told.kind,
            told.settings,
            told.inputs,
            told.versions,
            told.asked_at,
            told.asked_by,
            None,
            self._word(JobState, told.state),
            told.attempts,
            cancel_requested=told.cancel_requested,
            reason=None if told.reason is None else self._word(JobReason, told.reason),
            result=None if told.result is None else JobResult(told.result, outputs),
            ended=told.ended,
        )

    def _event(self, told: EventAnswer) -> JobEvent:
        kind = self._word(JobEventKind, told.kind)
        return JobEvent(told.number, told.at, told.attempt, kind, told.text, told.object_sha256)

    def _word(self, kind: Callable[[str], R], said: str) -> R:
        """One of the words that a state, a reason or an event may have."""
        try:
            return kind(said)
        except ValueError as error:
            raise self._odd(f"says {quoted(said)} of a job") from error


def _key(ref: str) -> str:
    """A key or the first digits of it, which may stand in an address as it is."""
    if not LEAST_DIGITS <= len(ref) <= 64 or not set(ref.lower()) <= _DIGITS:
        raise InputError("job", quoted(ref), f"the first digits of its key, at least {LEAST_DIGITS}")
    return ref.lower()
