"""Jobs: asked for, listed, asked to end; and the files that they work on and make."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical_text import canonical_json, sha256
from dataset.errors import ChangedMeanwhileError, InputError, NotFoundError, StoreError
from dataset.records import ID_DIGITS, Actor, NewJob, QueuedJob
from dataset.store import contents
from dataset.store.contents import MOST_FILE
from dataset.store.proof import keep
from dataset.store.queue import events
from dataset.store.queue.rows import change, job_row, to_job
from dataset.store.tables import JobFileRow, JobRow
from dataset.store.team import clock
from dataset.words import JobEventKind, JobState

FORMAT = 1  # of what an identity covers
MOST_QUEUED = 1000
_OPEN = (JobState.QUEUED.value, JobState.RUNNING.value)


def identity_of(new: NewJob) -> str:
    """The hash over all that what a job comes to can hang on."""
    facts = {"kind": new.kind, "settings": new.settings, "inputs": new.inputs, "versions": new.versions}
    return sha256({"format": FORMAT} | facts)


def add(orm: OrmSession, new: NewJob, by: Actor) -> QueuedJob:
    """Queue a job; one of the same identity that has not ended is the same job."""
    identity = identity_of(new)
    same = select(JobRow).where(JobRow.identity == identity).order_by(JobRow.id)
    earlier = orm.scalars(same).all()
    for row in earlier:
        if row.state in _OPEN and not row.cancel_requested:
            return to_job(job_row(orm, row.key))
    queued = select(func.count()).where(JobRow.state == JobState.QUEUED)
    if (orm.scalar(queued) or 0) >= MOST_QUEUED:
        raise InputError(
            "queue", f"{MOST_QUEUED} jobs wait already", "fewer", "let a runner take them, or cancel some"
        )
    for content in new.files.values():
        keep_file(orm, content)
    row = JobRow(
        # told apart from the others of its identity by its place among them
        key=sha256({"identity": identity, "number": len(earlier)}),
        identity=identity,
        kind=new.kind,
        settings=canonical_json(new.settings),
        inputs=canonical_json(new.inputs),
        versions=canonical_json(new.versions),
        asked_at=clock.written(clock.now(orm)),
        asked_by=by.who,
        token=by.token,
        state=JobState.QUEUED.value,
        attempts=0,
        fence=0,
        cancel_requested=False,
    )
    keep(orm, row)
    events.append(orm, row, JobEventKind.QUEUED, by.who)
    return to_job(row)


def jobs(orm: OrmSession, states: Sequence[JobState] = (), most: int | None = None) -> tuple[QueuedJob, ...]:
    """The jobs in these states, or all, the newest first, at most so many."""
    query = select(JobRow).order_by(JobRow.id.desc()).limit(most)
    if states:
        query = query.where(JobRow.state.in_([state.value for state in states]))
    return tuple(map(to_job, orm.scalars(query)))


def job(orm: OrmSession, ref: str) -> QueuedJob:
    """The job whose key begins with ``ref``."""
    return to_job(job_row(orm, ref))


def cancel(orm: OrmSession, ref: str, by: Actor) -> QueuedJob:
    """Ask for a job to end: at once where it is queued, at the next step of its runner where it runs.
    One that was cancelled stays so: whose answer was lost may ask again.
    """
    row = job_row(orm, ref)
    if row.state == JobState.CANCELLED:
        return to_job(row)
    if JobState(row.state).has_ended:
        raise ChangedMeanwhileError(
            f"job {row.key[:ID_DIGITS]}", f"has {row.state}", "one that is queued or runs"
        )
    if not row.cancel_requested:
        change(orm, row, cancel_requested=True)
        events.append(orm, row, JobEventKind.CANCEL_ASKED, by.who)
    if row.state == JobState.QUEUED:
        end(orm, row, JobEventKind.CANCELLED, "before a runner took it", state=JobState.CANCELLED)
    return to_job(row)


def end(
    orm: OrmSession, row: JobRow, told: JobEventKind, text: str, fence: int | None = None, **facts: Any
) -> bool:
    """Let a job end, once and for all; whether it was done (see :func:`change`)."""
    now = clock.written(clock.now(orm))
    if not change(orm, row, fence, ended=now, lease_until=None, **facts):
        return False
    events.append(orm, row, told, text)
    return True


def keep_file(orm: OrmSession, content: bytes) -> str:
    """Keep bytes by their hash, which is given back; the same again changes nothing."""
    digest = hashlib.sha256(content).hexdigest()
    if len(content) > MOST_FILE:
        raise InputError(
            f"file {digest[:ID_DIGITS]} of a job", f"{len(content)} bytes", f"at most {MOST_FILE}"
        )
    if orm.scalar(select(JobFileRow.id).where(JobFileRow.sha256 == digest)) is None:
        packed = contents.pack(content)
        orm.add(JobFileRow(sha256=digest, size=len(content), packed=packed))
        orm.flush()
    return digest


def file(orm: OrmSession, ref: str, sha256: str) -> bytes:
    """The bytes of a file that a job works on or made, hashed again; NotFoundError where it has none of this
    hash.
    """
    row = job_row(orm, ref)
    named = {*files_of(to_job(row)).values()}
    kept = orm.scalar(select(JobFileRow).where(JobFileRow.sha256 == sha256)) if sha256 in named else None
    if kept is None:
        raise NotFoundError(f"file {sha256[:ID_DIGITS]} of job {row.key[:ID_DIGITS]}", "there is none")
    return plain(kept)


def files_of(job: QueuedJob) -> Mapping[str, str]:
    """The hashes of the files of a job: those it works on as ``in/NAME``, those it made by their names."""
    given = {f"in/{name[5:]}": digest for name, digest in job.inputs.items() if name.startswith("file ")}
    return given | dict(job.result.outputs if job.result is not None else {})


def plain(row: JobFileRow) -> bytes:
    """What was packed; StoreError unless it has its size and hash."""
    return contents.plain(f"file {row.sha256[:ID_DIGITS]} of a job", row)


def versions_wanted(orm: OrmSession, versions: Mapping[str, str]) -> tuple[QueuedJob, ...]:
    """The queued jobs that a runner of these versions does not take."""
    others = select(JobRow).where(
        JobRow.state == JobState.QUEUED, JobRow.versions != canonical_json(versions)
    )
    return tuple(map(to_job, orm.scalars(others.order_by(JobRow.id))))


def check_job(row: JobRow) -> None:
    """StoreError for a job whose identity is not that of what was asked, or that cannot be read."""
    read = to_job(row)
    asked = NewJob(read.kind, read.settings, read.inputs, read.versions)
    if identity_of(asked) != row.identity or json.loads(row.settings) != read.settings:
        raise StoreError(f"job {row.key[:ID_DIGITS]}", "its identity is not that of what was asked")
