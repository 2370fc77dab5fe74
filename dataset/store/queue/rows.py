"""Jobs between rows and records; every change of a row gives it the hash of its record anew."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from sqlalchemy import CursorResult, select, update
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical_text import canonical_json
from dataset.errors import InputError, NotFoundError, StoreError, quoted, there_are
from dataset.records import ID_DIGITS, JobEvent, JobResult, QueuedJob
from dataset.store.proof import OWN, check, check_row, facts_sha256
from dataset.store.tables import JobEventRow, JobRow
from dataset.words import JobEventKind, JobReason, JobState

LEAST_DIGITS = 4
_DIGITS = frozenset("0123456789abcdef")


def job_row(orm: OrmSession, ref: str) -> JobRow:
    """The job whose key begins with ``ref``, its hash checked; NotFoundError where there is none, InputError
    where there are several.
    """
    wanted = ref.lower()
    if len(wanted) < LEAST_DIGITS or not set(wanted) <= _DIGITS:
        raise InputError("job", quoted(ref), f"the first digits of its key, at least {LEAST_DIGITS}")
    begins = select(JobRow).where(JobRow.key.startswith(wanted, autoescape=True)).order_by(JobRow.id)
    rows = orm.scalars(begins.limit(2).execution_options(populate_existing=True)).all()
    if not rows:
        known = orm.scalars(select(JobRow.key).order_by(JobRow.id.desc()).limit(12))
        raise NotFoundError(
            f"job {wanted[:ID_DIGITS]}",
            "is not in this store",
            "",
            there_are([key[:ID_DIGITS] for key in known], wanted, "there are no jobs yet"),
        )
    if len(rows) > 1:
        raise InputError(
            f"job {wanted}", f"begins the keys of {rows[0].key[:ID_DIGITS]} and others", "more digits"
        )
    check_row(rows[0], f"job {rows[0].key[:ID_DIGITS]}")
    return rows[0]


def to_job(row: JobRow) -> QueuedJob:
    """The record of a row; StoreError for words that are none."""
    where = f"job {row.key[:ID_DIGITS]}"
    try:
        return QueuedJob(
            row.key,
            row.identity,
            row.kind,
            json.loads(row.settings),
            json.loads(row.inputs),
            json.loads(row.versions),
            row.asked_at,
            row.asked_by,
            row.token,
            JobState(row.state),
            row.attempts,
            row.fence,
            row.lease_until,
            row.cancel_requested,
            None if row.reason is None else JobReason(row.reason),
            None if row.result is None else JobResult(**json.loads(row.result)),
            row.ended,
        )
    except (ValueError, TypeError) as error:
        raise StoreError(where, f"cannot be read ({error})", "", "use a copy of the store") from error


def to_event(row: JobEventRow) -> JobEvent:
    """The record of a row; StoreError for a kind that is none."""
    try:
        kind = JobEventKind(row.kind)
    except ValueError as error:
        raise StoreError("event of a job", f"is of kind {quoted(row.kind)}") from error
    return JobEvent(row.id, row.at, row.attempt, kind, row.text, row.object_sha256)


def result_text(result: JobResult) -> str:
    """What a job came to, as its row keeps it."""
    return canonical_json(asdict(result))


def change(
    orm: OrmSession, row: JobRow, fence: int | None = None, was: Mapping[str, Any] | None = None, **facts: Any
) -> bool:
    """Change columns of a job in one statement, its record's hash among them; whether it was done. Not where
    ``fence`` is given and is no longer that of the job, or the job does not run.

    Args:
        orm: the transaction.
        row: the job.
        fence: that of the runner that writes.
        was: columns that this transaction changed already, as they were when the record was hashed.
        facts: the columns that change.

    Raises:
        StoreError: the record was changed by something else before.
    """
    now = {column.name: getattr(row, column.name) for column in JobRow.__table__.columns}
    stands = {name: value for name, value in now.items() if name not in OWN}
    check(f"job {row.key[:ID_DIGITS]}", facts_sha256("job", stands | dict(was or {})), row.record_sha256)
    changed = update(JobRow).where(JobRow.id == row.id)
    if fence is not None:
        changed = changed.where(JobRow.fence == fence, JobRow.state == JobState.RUNNING)
    values = facts | {"record_sha256": facts_sha256("job", stands | facts)}
    outcome = orm.execute(changed.values(values).execution_options(synchronize_session=False))
    orm.refresh(row)
    assert isinstance(outcome, CursorResult)
    return outcome.rowcount == 1
