"""What travels about jobs."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, StringConstraints

from innage.service.messages.wire import Answer, Hash, Message

MOST_FILES = 100  # of a job
MOST_LISTED = 500
MOST_EVENTS = 1000  # in one answer

Name = Annotated[str, StringConstraints(max_length=100)]


class JobAsked(Message):
    """A job that somebody asks for.

    Attributes:
        kind: train, retrain, compare, sweep, study, report, export or replay.
        settings: those of the kind, by name.
        files: of a replay: the logs, by name; blobs that were sent before, by their hashes.
    """

    kind: Annotated[str, StringConstraints(max_length=20)]
    settings: dict[str, Any] = Field(default={})
    files: dict[Name, Hash] = Field(default={}, max_length=MOST_FILES)


class JobAnswer(Answer):
    """A job; as of :func:`innage.runner.facts.job_facts`."""

    job: Hash
    identity: Hash
    kind: str
    settings: dict[str, Any]
    inputs: dict[str, str]
    versions: dict[str, str]
    asked_at: str
    asked_by: str
    state: str
    attempts: int
    cancel_requested: bool
    reason: str | None
    result: dict[str, str] | None
    files: dict[str, str]
    ended: str | None


class Jobs(Answer):
    """Jobs, the newest first."""

    jobs: list[JobAnswer]


class EventAnswer(Answer):
    """Something that is told of a job."""

    number: int
    at: str
    attempt: int
    kind: str
    text: str
    object_sha256: str | None


class JobLog(Answer):
    """What is told of a job, in order."""

    events: list[EventAnswer]
