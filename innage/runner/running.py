"""The runner: takes jobs of a queue, one at a time, and does them."""

from __future__ import annotations

import os
import platform
import time
import traceback
from collections import Counter
from collections.abc import Callable
from concurrent.futures import BrokenExecutor
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dataset.errors import (
    InnageError,
    InputError,
    LeaseLostError,
    NotAllowedError,
    StoreBusyError,
    StoreError,
    ToolError,
    WorkersLostError,
)
from dataset.records import ID_DIGITS, Actor, Held, QueuedJob
from dataset.store.queue.leases import LEASE_S
from dataset.words import JobEventKind, JobReason, JobState
from innage.runner.holding import CancelledError, Holding, RunnerStoppedError
from innage.runner.kind import Done, Work
from innage.runner.queueing import FILE
from innage.runner.settings import read
from innage.runner.versions import versions

if TYPE_CHECKING:
    from dataset.pools import Pool
    from dataset.store import Store

TICK_S = 1.0
POLL_S = 2.0  # between looks into a queue that was empty


def _never() -> bool:
    return False


def _nothing(_sentence: str) -> None:
    pass


class _InputsChangedError(InnageError):
    """A name stands for something else than when the job was queued."""


@dataclass(frozen=True)
class Runner:
    """How jobs are taken.

    Attributes:
        lease_s: how long a runner that went silent is waited for, in seconds.
        tick_s: how often progress is written and cancellation looked for, in seconds.
        poll_s: how long it waits before it looks again into a queue that was empty, in seconds.
        should_stop: whether it was asked to stop: it takes no other job, and gives the one that runs back.
        say: told a sentence about each job that it takes, and what became of it.
        pool: where the work of jobs is done; None means on all cores of this machine. With a cluster, a
            runner whose workers were lost gives its job back and ends.
    """

    lease_s: float = LEASE_S
    tick_s: float = TICK_S
    poll_s: float = POLL_S
    should_stop: Callable[[], bool] = _never
    say: Callable[[str], None] = _nothing
    pool: Pool | None = None


def run_jobs(store: Store, *, once: bool = False, how: Runner = Runner()) -> dict[JobState, int]:
    """Do the jobs of a store's queue, the oldest first, until asked to stop.

    Args:
        store: the open store, in a file or on a server; several runners may work on one.
        once: stop when no job is left that can be taken.
        how: how jobs are taken.

    Returns:
        How many jobs ended here, by what they ended as; one that was given back counts as queued.

    Raises:
        WorkersLostError: the cluster, or what worked for a job there; the job is in the queue again.
        StoreError: the store cannot be used; the job that ran is taken up again, here or by another runner,
            when its lease has run out.
    """
    ended: Counter[JobState] = Counter()
    name = f"{platform.node()}, process {os.getpid()}"
    waiting: tuple[str, ...] = ()
    while not how.should_stop():
        job = store.claim_job(name, versions(), how.lease_s)
        if job is not None:
            state = _take(store, job, how)
            if state is not None:
                ended[state] += 1
            continue
        waiting = _say_others(store, how, waiting)
        if once:
            break
        _wait(how)
    return dict(ended)


def _wait(how: Runner) -> None:
    until = time.monotonic() + how.poll_s
    while not how.should_stop() and (left := until - time.monotonic()) > 0.0:
        time.sleep(min(left, 0.2))


def _say_others(store: Store, how: Runner, said: tuple[str, ...]) -> tuple[str, ...]:
    """Say once of each job that waits for a runner of other versions what it asks for."""
    others = store.jobs_of_other_versions(versions())
    for job in others:
        if job.key not in said:
            apart = [
                f"{name} {wanted}, and here is {versions().get(name, 'none')}"
                for name, wanted in job.versions.items()
                if versions().get(name) != wanted
            ]
            how.say(f"job {job.key[:ID_DIGITS]} stays queued: it asks for {'; '.join(apart)}")
    return tuple(job.key for job in others)


def _take(store: Store, job: QueuedJob, how: Runner) -> JobState | None:
    """Do a job that was claimed; what became of it, None where another runner has it by now."""
    held = Held(job.key, job.fence)
    called = f"job {job.key[:ID_DIGITS]}, {job.kind}"
    how.say(f"{called}: attempt {job.attempts}")
    try:
        state = _ended(store, job, held, how)
    except LeaseLostError:
        how.say(f"{called}: another runner holds it by now")
        return None
    last = store.job_events(job.key)[-1]
    how.say(f"{called}: {state}" + (f" ({last.text})" if state is JobState.FAILED else ""))
    return state


def _ended(store: Store, job: QueuedJob, held: Held, how: Runner) -> JobState:
    """Do a job, and let the queue know how it ended."""
    try:
        with Holding(
            store, held, lease_s=how.lease_s, tick_s=how.tick_s, should_stop=how.should_stop
        ) as holding:
            done = _do(store, job, held, holding, how.pool)
        return _keep(store, job, held, done)
    except CancelledError:
        store.job_cancelled(held)
        return JobState.CANCELLED
    except (RunnerStoppedError, KeyboardInterrupt) as stopped:
        store.give_job_back(held)
        if isinstance(stopped, KeyboardInterrupt):
            raise
        return store.queued_job(job.key).state
    except LeaseLostError:
        raise
    except StoreError as error:
        with suppress(StoreError):  # or it comes back when its lease has run out
            store.attempt_lost(held, str(error))
        if not isinstance(error, StoreBusyError):
            raise
        return store.queued_job(job.key).state
    except (BrokenExecutor, WorkersLostError) as error:
        _workers_lost(store, held, how, error)
        return store.queued_job(job.key).state
    except Exception as error:
        reason, text = _why(error, how)
        store.job_failed(held, reason, text)
        return JobState.FAILED


def _workers_lost(store: Store, held: Held, how: Runner, error: BrokenExecutor | WorkersLostError) -> None:
    """Give the job back. A cluster may be gone for good: whoever looks after runners starts another."""
    known = isinstance(error, WorkersLostError)
    store.attempt_lost(
        held, str(error) if known else f"a process that it ran in was lost ({type(error).__name__})"
    )
    if known and how.pool is not None:
        raise error


def _why(error: Exception, how: Runner) -> tuple[JobReason, str]:
    """Why a job failed, and a sentence on it; what nobody expected is said with its traceback."""
    if isinstance(error, _InputsChangedError):
        return JobReason.INPUTS_CHANGED, str(error)
    if isinstance(error, NotAllowedError):
        return JobReason.NOT_ALLOWED, str(error)
    if isinstance(error, ToolError):
        return JobReason.TOOL_FAILED, str(error)
    if isinstance(error, InnageError):
        return JobReason.REFUSED, str(error)
    if isinstance(error, MemoryError):
        return JobReason.OUT_OF_MEMORY, "there was not enough memory"
    how.say("".join(traceback.format_exception(error)).rstrip())
    return JobReason.CRASHED, f"{type(error).__name__}; the output of its runner has the traceback"


def _do(store: Store, job: QueuedJob, held: Held, holding: Holding, pool: Pool | None) -> Done:
    """Call the function of a job, once its inputs are as they were and its opening is counted."""
    from innage.runner.kinds import kind_of

    kind = kind_of(job.kind)
    settings = read(job.kind, kind.settings, job.settings)
    fenced = _as_who_asked(store, job).holding(held)
    inputs = kind.inputs(fenced, settings)
    for name, digest in job.inputs.items():
        if not name.startswith(FILE) and inputs.hashes.get(name) != digest:
            what = f"its {name} is another than when it was queued"
            raise _InputsChangedError(f"job {job.key[:ID_DIGITS]}", what, "", "queue it again")
    holding.check()
    if inputs.opens is not None:  # before the first look, however often it is tried
        fenced.open_prove(*inputs.opens)
    files = {
        name.removeprefix(FILE): store.job_file(job.key, digest)
        for name, digest in job.inputs.items()
        if name.startswith(FILE)
    }
    wrote = tuple(event for event in store.job_events(job.key) if event.kind is JobEventKind.WROTE)
    return kind.run(Work(fenced, settings, holding.progress, files, wrote, pool))


def _as_who_asked(store: Store, job: QueuedJob) -> Store:
    """The store as the one works on it who queued the job, within what their token allows now."""
    if job.token is None:
        return store
    token = next((one for one in store.tokens() if one.id == job.token), None)
    if token is None or token.revoked is not None or token.expires <= store.time_now():
        raise NotAllowedError(f"token {job.token}", "was revoked, or ran out, since the job was queued")
    actor: Actor = token.actor
    return store.acting_as(actor)


def _keep(store: Store, job: QueuedJob, held: Held, done: Done) -> JobState:
    """Keep what a job came to."""
    bundle = done.hashes.get("bundle")
    for event in store.job_events(job.key):
        if event.kind is JobEventKind.WROTE and event.text == "bundle" and event.object_sha256 != bundle:
            text = f"came to bundle {bundle}, and an attempt before to {event.object_sha256}"
            store.job_failed(held, JobReason.RESULT_DIFFERS, text)
            return JobState.FAILED
    try:
        return store.job_succeeded(held, done.hashes, done.outputs, done.said).state
    except InputError as error:
        store.job_failed(held, JobReason.TOO_LARGE, str(error))
        return JobState.FAILED
