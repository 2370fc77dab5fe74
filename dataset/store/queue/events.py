"""What is told of a job, in order: few events of its state, and bounded lines of its log and progress."""

from __future__ import annotations

from sqlalchemy import func, select
from sqlalchemy.orm import Session as OrmSession

from dataset.records import JobEvent
from dataset.store.proof import keep
from dataset.store.queue.rows import job_row, to_event
from dataset.store.tables import JobEventRow, JobRow
from dataset.store.team import clock
from dataset.words import JobEventKind

MOST_LINES = 1000  # of log and progress that are kept of a job
MOST_TEXT = 2000  # characters of a line
_LINES = (JobEventKind.PROGRESS, JobEventKind.LOG)


def append(
    orm: OrmSession, job: JobRow, kind: JobEventKind, text: str = "", object_sha256: str | None = None
) -> None:
    """Tell something of a job."""
    text = "".join(c if c.isprintable() or c == "\n" else "?" for c in text)
    if len(text) > MOST_TEXT:
        text = f"{text[:MOST_TEXT]} ..."
    row = JobEventRow(
        job=job,
        at=clock.written(clock.now(orm)),
        attempt=job.attempts,
        kind=kind.value,
        text=text,
        object_sha256=object_sha256,
    )
    keep(orm, row)


def append_line(orm: OrmSession, job: JobRow, kind: JobEventKind, text: str) -> None:
    """Tell a line of log or progress, unless there are so many that no more are kept."""
    lines = select(func.count()).where(JobEventRow.job_id == job.id, JobEventRow.kind.in_(_LINES))
    there = orm.scalar(lines) or 0
    if there < MOST_LINES:
        last = there == MOST_LINES - 1
        append(orm, job, JobEventKind.LOG if last else kind, "no more lines are kept" if last else text)


def events(orm: OrmSession, ref: str, after: int = 0, most: int | None = None) -> tuple[JobEvent, ...]:
    """What is told of a job behind an event's number, in order, at most so many."""
    job = job_row(orm, ref)
    query = select(JobEventRow).where(JobEventRow.job_id == job.id, JobEventRow.id > after)
    return tuple(map(to_event, orm.scalars(query.order_by(JobEventRow.id).limit(most))))
