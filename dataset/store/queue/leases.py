"""Who holds which job until when: claimed, kept, given back, ended.

Times are the database's. A runner that is silent for longer than its lease is taken for lost: its job goes
back into the queue, at most :data:`MOST_ATTEMPTS` times.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import TypeVar

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical_text import canonical_json
from dataset.errors import LeaseLostError
from dataset.records import ID_DIGITS, FrozenSet, Held, JobResult, QueuedJob
from dataset.store import frozen_sets
from dataset.store.queue import events
from dataset.store.queue.adding import end
from dataset.store.queue.rows import change, result_text, to_job
from dataset.store.tables import ExportRow, FrozenSetRow, JobEventRow, JobRow, ModelRow, ProveOpeningRow
from dataset.store.team import clock
from dataset.words import JobEventKind, JobReason, JobState

LEASE_S = 30.0
MOST_ATTEMPTS = 3
T = TypeVar("T")


def claim(orm: OrmSession, runner: str, versions: Mapping[str, str], lease_s: float) -> QueuedJob | None:
    """Take the oldest queued job of these versions, for so many seconds; None where there is none."""
    release_lost(orm)
    now = clock.now(orm)
    oldest = (
        select(JobRow.id)
        .where(JobRow.state == JobState.QUEUED, JobRow.versions == canonical_json(versions))
        .order_by(JobRow.id)
        .limit(1)
        .with_for_update(skip_locked=True)
        .scalar_subquery()
    )
    taken = (
        update(JobRow)
        .where(JobRow.id == oldest)
        .values(state=JobState.RUNNING, fence=JobRow.fence + 1, attempts=JobRow.attempts + 1)
        .returning(JobRow.id)
        .execution_options(synchronize_session=False)
    )
    row_id = orm.scalar(taken)
    if row_id is None:
        return None
    row = orm.get_one(JobRow, row_id, populate_existing=True)
    was = {"state": JobState.QUEUED, "fence": row.fence - 1, "attempts": row.attempts - 1}
    change(orm, row, was=was, lease_until=clock.written(now + timedelta(seconds=lease_s)))
    events.append(orm, row, JobEventKind.CLAIMED, f"attempt {row.attempts} by {runner}")
    return to_job(row)


def release_lost(orm: OrmSession) -> None:
    """Put jobs whose runners went silent back into the queue; those that were tried often enough fail."""
    late = select(JobRow).where(
        JobRow.state == JobState.RUNNING, JobRow.lease_until < clock.written(clock.now(orm))
    )
    for row in orm.scalars(late.order_by(JobRow.id)).all():
        _attempt_lost(orm, row, "its runner went silent")


def attempt_lost(orm: OrmSession, held: Held, text: str) -> None:
    """As where a runner went silent, for one that lost what the job ran in."""
    _attempt_lost(orm, held_row(orm, held), text)


def _attempt_lost(orm: OrmSession, row: JobRow, text: str) -> None:
    events.append(orm, row, JobEventKind.LEASE_LOST, text)
    if row.cancel_requested:
        end(orm, row, JobEventKind.CANCELLED, text, state=JobState.CANCELLED)
    elif row.attempts >= MOST_ATTEMPTS:
        said = f"{JobReason.WORKER_LOST}: {row.attempts} attempts, at the last one {text}"
        end(orm, row, JobEventKind.FAILED, said, state=JobState.FAILED, reason=JobReason.WORKER_LOST)
    else:
        change(orm, row, state=JobState.QUEUED, lease_until=None)


def held_row(orm: OrmSession, held: Held) -> JobRow:
    """The job that a runner holds; LeaseLostError where it does so no longer."""
    query = select(JobRow).where(JobRow.key == held.key).execution_options(populate_existing=True)
    row = orm.scalars(query.with_for_update()).one_or_none()
    if row is None or row.fence != held.fence or row.state != JobState.RUNNING:
        raise _lost(held)
    return row


def extend(orm: OrmSession, held: Held, lease_s: float) -> None:
    """Say that the runner is there; LeaseLostError where it holds the job no longer."""
    row = held_row(orm, held)
    until = clock.written(clock.now(orm) + timedelta(seconds=lease_s))
    if not change(orm, row, held.fence, lease_until=until):
        raise _lost(held)


def tell(orm: OrmSession, held: Held, kind: JobEventKind, text: str) -> None:
    """Keep a line of log or progress."""
    events.append_line(orm, held_row(orm, held), kind, text)


def give_back(orm: OrmSession, held: Held) -> None:
    """Put a job back into the queue as if this attempt had not been: its runner was stopped."""
    row = held_row(orm, held)
    if row.cancel_requested:
        cancelled(orm, held)
        return
    events.append(orm, row, JobEventKind.GIVEN_BACK, "its runner was stopped")
    if not change(orm, row, held.fence, state=JobState.QUEUED, attempts=row.attempts - 1, lease_until=None):
        raise _lost(held)


def cancelled(orm: OrmSession, held: Held) -> None:
    """End a job that was asked to end."""
    row = held_row(orm, held)
    if not end(orm, row, JobEventKind.CANCELLED, "as asked", held.fence, state=JobState.CANCELLED):
        raise _lost(held)


def failed(orm: OrmSession, held: Held, reason: JobReason, text: str) -> None:
    """End a job that cannot be done."""
    row = held_row(orm, held)
    facts = {"state": JobState.FAILED, "reason": reason}
    if not end(orm, row, JobEventKind.FAILED, f"{reason}: {text}", held.fence, **facts):
        raise _lost(held)


def succeeded(orm: OrmSession, held: Held, result: JobResult) -> QueuedJob:
    """End a job that came to something. Where an earlier one of its identity came to something else it fails,
    and both keep what they came to.
    """
    row = held_row(orm, held)
    other = _differing(orm, row, result)
    if other is None:
        told, text = JobEventKind.SUCCEEDED, _hashes(result)
        facts: dict[str, object] = {"state": JobState.SUCCEEDED}
    else:
        told = JobEventKind.FAILED
        text = (
            f"{JobReason.RESULT_DIFFERS}: came to {_hashes(result)}, and job {other.key[:ID_DIGITS]}, which "
            f"asked for the same, to {_hashes(other.result)}"
        )
        facts = {"state": JobState.FAILED, "reason": JobReason.RESULT_DIFFERS}
    if not end(orm, row, told, text, held.fence, result=result_text(result), **facts):
        raise _lost(held)
    return to_job(row)


def _differing(orm: OrmSession, row: JobRow, result: JobResult) -> QueuedJob | None:
    """The first job of the same identity that came to something else, about the same that was said."""
    same = select(JobRow).where(
        JobRow.identity == row.identity, JobRow.id != row.id, JobRow.state == JobState.SUCCEEDED
    )
    for other in map(to_job, orm.scalars(same.order_by(JobRow.id))):
        assert other.result is not None
        if other.result.said == result.said and other.result.hashes != result.hashes:
            return other
    return None


def _hashes(result: JobResult | None) -> str:
    return ", ".join(f"{name} {digest}" for name, digest in (result.hashes if result else {}).items())


def fenced(orm: OrmSession, held: Held, work: Callable[[OrmSession], T]) -> T:
    """The outcome of ``work`` for a job that is held, with an event for each model and bundle that it wrote,
    in the same transaction.
    """
    row = held_row(orm, held)
    before = _last_results(orm)
    outcome = work(orm)
    if not orm.in_transaction():  # the work undid itself
        return outcome
    orm.flush()
    models, exports = _last_results(orm)
    if models > before[0]:
        for model in orm.scalars(select(ModelRow).where(ModelRow.id > before[0]).order_by(ModelRow.id)):
            events.append(orm, row, JobEventKind.WROTE, f"model {model.name}", model.sha256)
    if exports > before[1]:
        for export in orm.scalars(select(ExportRow).where(ExportRow.id > before[1]).order_by(ExportRow.id)):
            events.append(orm, row, JobEventKind.WROTE, "bundle", export.bundle_sha256)
    return outcome


def _last_results(orm: OrmSession) -> tuple[int, int]:
    models, exports = (orm.scalar(select(func.max(rows.id))) for rows in (ModelRow, ExportRow))
    return models or 0, exports or 0


def opened_once(orm: OrmSession, held: Held, frozen: FrozenSet, purpose: str) -> int:
    """Record an opening of the prove groups of a set for a job, unless the job has one already, whichever of
    its attempts wrote it; the count of openings up to this one.
    """
    row = held_row(orm, held)
    own = (
        select(ProveOpeningRow)
        .join(JobEventRow, JobEventRow.object_sha256 == ProveOpeningRow.sha256)
        .join(FrozenSetRow, FrozenSetRow.id == ProveOpeningRow.frozen_set_id)
        .where(
            JobEventRow.job_id == row.id,
            JobEventRow.kind == JobEventKind.OPENING,
            FrozenSetRow.sha256 == frozen.sha256,
        )
    )
    opening = orm.scalars(own).first()
    if opening is None:
        frozen_sets.open_prove(orm, frozen, purpose)
        opening = frozen_sets.openings_of(orm, frozen.sha256)[-1]
        events.append(orm, row, JobEventKind.OPENING, purpose, opening.sha256)
    every = [one.sequence for one in frozen_sets.openings_of(orm, frozen.sha256)]
    return every.index(opening.sequence) + 1


def _lost(held: Held) -> LeaseLostError:
    return LeaseLostError(
        f"job {held.key[:ID_DIGITS]}",
        "another runner holds it by now, or it has ended",
        "",
        "nothing more is written for it here",
    )
