"""Jobs of the queue: what was asked, where they stand, what was told of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from dataset.words import JobEventKind, JobReason, JobState


@dataclass(frozen=True)
class NewJob:
    """A job that somebody asks for.

    Attributes:
        kind: what is done, such as 'train'.
        settings: how, ready for JSON: every name settled, nothing left to a default.
        inputs: what it works on, by the hashes that the names in ``settings`` stand for.
        versions: of what works it out; only a runner of the same versions takes it.
        files: contents that it works on which no record of the store has, by their hashes.
    """

    kind: str
    settings: Mapping[str, Any]
    inputs: Mapping[str, str]
    versions: Mapping[str, str]
    files: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class JobResult:
    """What a job came to.

    Attributes:
        hashes: what has to be the same whenever the same job runs.
        outputs: the files it made: their hashes by name.
        said: what else it hangs on, as it stood then: what was said of records since. Results are held
            against each other where this is the same; None where nothing else counts.
    """

    hashes: Mapping[str, str]
    outputs: Mapping[str, str] = field(default_factory=dict)
    said: str | None = None


@dataclass(frozen=True)
class QueuedJob:
    """A job of the queue.

    Attributes:
        key: 64 digits, of which the first ones name it.
        identity: the hash of kind, settings, inputs and versions: two jobs of one identity have to come to
            the same.
        kind: what is done.
        settings: as of :class:`NewJob`.
        inputs: as of :class:`NewJob`.
        versions: as of :class:`NewJob`.
        asked_at: when, in UTC by the database's clock.
        asked_by: who.
        token: the id of the token that it was asked with.
        state: where it stands.
        attempts: how often a runner began it, and was not stopped.
        fence: counts the runners that took it; only the last one may write.
        lease_until: until when that runner is waited for.
        cancel_requested: somebody asked for it to end.
        reason: why it failed.
        result: what it came to.
        ended: when it did.
    """

    key: str
    identity: str
    kind: str
    settings: Mapping[str, Any]
    inputs: Mapping[str, str]
    versions: Mapping[str, str]
    asked_at: str
    asked_by: str
    token: str | None
    state: JobState
    attempts: int = 0
    fence: int = 0
    lease_until: str | None = None
    cancel_requested: bool = False
    reason: JobReason | None = None
    result: JobResult | None = None
    ended: str | None = None


@dataclass(frozen=True)
class JobEvent:
    """Something that is told of a job.

    Attributes:
        number: sorts those of a job; not their count.
        at: when, in UTC by the database's clock.
        attempt: of which attempt; 0 before the first.
        kind: what happened.
        text: a sentence, or how far it is.
        object_sha256: the key of what was written to the store.
    """

    number: int
    at: str
    attempt: int
    kind: JobEventKind
    text: str
    object_sha256: str | None = None


@dataclass(frozen=True)
class Held:
    """A job that a runner holds: which one, and the number that says that nobody took it since."""

    key: str
    fence: int
