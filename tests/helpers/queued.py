"""Jobs that are queued and done in a test, and what stands in for their work."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from dataset.records import FrozenSet, Model, QueuedJob
from dataset.store import Store
from dataset.store.team import clock
from innage.jobs import Progress
from innage.runner.kinds import fitting
from innage.runner.queueing import add_job
from innage.runner.running import Runner, run_jobs

FAST = Runner(tick_s=0.01, poll_s=0.01)


def later(monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    """The database's clock is so many seconds ahead."""
    real = clock.now
    monkeypatch.setattr(clock, "now", lambda orm: real(orm) + timedelta(seconds=seconds))


def done(store: Store, kind: str, /, **settings: Any) -> QueuedJob:
    """A job that was queued and done."""
    key = add_job(store, kind, settings).key
    run_jobs(store, once=True, how=FAST)
    return store.queued_job(key)


def told(store: Store, job: QueuedJob) -> list[str]:
    return [event.kind.value for event in store.job_events(job.key)]


def of_job(store: Store, job: QueuedJob, name: str) -> bytes:
    """The bytes of a file that it made."""
    assert job.result is not None
    return store.job_file(job.key, job.result.outputs[name])


def trained(store: Store, frozen: FrozenSet, name: str) -> Model:
    """What stands in for a search: a model like 'good'."""
    from dataclasses import replace

    openings = store.open_prove(frozen, f"train {name}")
    good = store.model("good")
    metrics = json.dumps(json.loads(good.metrics) | {"openings": openings})
    return store.add_model(replace(good, name=name, metrics=metrics))


def searching(monkeypatch: pytest.MonkeyPatch, after: Callable[[], None]) -> list[int]:
    """A search in place of the real one, and what happens after its model was kept; how often it ran."""
    ran: list[int] = []

    def train(store: Store, frozen: str, name: str, *, progress: Progress, **_: Any) -> Model:
        ran.append(1)
        progress("fitting", 1, 2)
        model = trained(store, store.frozen_set(frozen), name)
        after()
        return model

    monkeypatch.setattr(fitting, "train", train)
    return ran


class KilledError(BaseException):
    """In place of a process that is gone."""
