"""Attempts at a job: given back, taken up after a runner that was killed or silent, never two results."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from queued import FAST, KilledError, done, later, of_job, searching, told, trained

from dataset.errors import StoreBusyError, WorkersLostError
from dataset.pools import HERE, Pool
from dataset.records import Held, Model, QueuedJob
from dataset.store import Store
from dataset.words import JobEventKind, JobReason, JobState, Role
from innage.jobs import Progress
from innage.runner.kinds import fitting, judging
from innage.runner.queueing import add_job
from innage.runner.running import Runner, run_jobs

PROVE = {"model": "good", "role": "prove"}


def test_a_model_that_was_kept_before_the_kill_stands(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The runner is gone between the model and the end of its job: the next attempt takes what stands there,
    with one opening, and does not search again.
    """

    def killed() -> None:
        raise KilledError

    ran = searching(monkeypatch, killed)
    job = add_job(store, "train", {"frozen": "all", "name": "m"})
    with pytest.raises(KilledError):
        run_jobs(store, once=True, how=FAST)
    later(monkeypatch, 31.0)
    assert run_jobs(store, once=True, how=FAST) == {JobState.SUCCEEDED: 1}
    ended = store.queued_job(job.key)
    assert ended.result is not None
    assert (ended.attempts, ended.result.hashes["program"]) == (2, store.model("good").sha256)
    assert len(ran) == 1
    assert store.prove_purposes(store.frozen_set("all")) == ("train m",)
    kinds = [kind for kind in told(store, job) if kind != "progress"]
    assert kinds == ["queued", "claimed", "opening", "wrote", "lease lost", "claimed", "succeeded"]


def test_an_opening_over_two_attempts(
    store: Store, looks: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One event, there before the first look; a second job is a second opening."""
    frozen = store.frozen_set("all")
    stand_in = vars(judging)["sweep"]

    def killed(*given: Any, **named: Any) -> Any:
        stand_in(*given, **named)
        raise KilledError

    monkeypatch.setattr(judging, "sweep", killed)
    add_job(store, "sweep", PROVE)
    with pytest.raises(KilledError):
        run_jobs(store, once=True, how=FAST)
    monkeypatch.setattr(judging, "sweep", stand_in)
    later(monkeypatch, 31.0)
    run_jobs(store, once=True, how=FAST)
    assert looks == [1, 1]
    assert json.loads(of_job(store, store.queued_jobs()[0], "sweep.json"))["openings"] == 1
    second = done(store, "sweep", **PROVE)
    assert looks == [1, 1, 2]
    assert (second.state, store.prove_openings(frozen)) == (JobState.SUCCEEDED, 2)


def test_who_is_taken_for_lost_writes_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A runner that hung comes back when another has done its job: its model is refused, the other one
    stands, and no opening is counted twice.
    """
    said: list[str] = []
    taken: list[dict[JobState, int]] = []

    def train(at: Store, frozen: str, name: str, *, progress: Progress, **_: Any) -> Model:
        if not taken:
            later(monkeypatch, 31.0)
            taken.append({})
            taken.append(run_jobs(store, once=True, how=FAST))
        return trained(at, at.frozen_set(frozen), name)

    monkeypatch.setattr(fitting, "train", train)
    job = add_job(store, "train", {"frozen": "all", "name": "m"})
    ended = run_jobs(store, once=True, how=Runner(tick_s=60.0, poll_s=0.01, say=said.append))
    assert taken[1] == {JobState.SUCCEEDED: 1}
    assert ended == {}
    assert said[-1].endswith("another runner holds it by now")
    assert [model.name for model in store.models()] == ["bad", "good", "m"]
    assert store.prove_openings(store.frozen_set("all")) == 1
    assert store.queued_job(job.key).state is JobState.SUCCEEDED


def test_a_runner_that_is_stopped_gives_its_job_back(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """And takes no other."""
    stop: list[bool] = []

    def train(at: Store, *_: Any, progress: Progress, **__: Any) -> None:
        stop.append(True)
        progress("fitting", 1, 2)

    monkeypatch.setattr(fitting, "train", train)
    job = add_job(store, "train", {"frozen": "all", "name": "m"})
    add_job(store, "sweep", {"model": "good"})
    how = Runner(tick_s=0.01, poll_s=0.01, should_stop=lambda: bool(stop))
    assert run_jobs(store, how=how) == {JobState.QUEUED: 1}
    again = store.queued_job(job.key)
    assert (again.state, again.attempts) == (JobState.QUEUED, 0)
    assert [one.state for one in store.queued_jobs()] == [JobState.QUEUED] * 2


def test_a_job_goes_on_while_its_lease_is_kept(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """It runs for longer than its lease: the beat keeps it, and tells how far it is."""
    seen: list[str | None] = []

    def train(at: Store, *_: Any, progress: Progress, **__: Any) -> Model:
        until = time.monotonic() + 20.0
        while len(set(seen)) < 3 and time.monotonic() < until:
            progress("fitting", len(set(seen)), 3)
            seen.append(store.queued_jobs()[0].lease_until)
        return store.model("good")

    monkeypatch.setattr(fitting, "train", train)
    job = done_by(store, Runner(lease_s=0.3, tick_s=0.01))
    assert len(set(seen)) == 3
    assert job.attempts == 1
    assert [event.text for event in store.job_events(job.key) if event.kind is JobEventKind.PROGRESS][-1] == (
        "fitting, 2 of 3"
    )


def done_by(store: Store, how: Runner) -> QueuedJob:
    key = add_job(store, "train", {"frozen": "all", "name": "m"}).key
    assert run_jobs(store, once=True, how=how) == {JobState.SUCCEEDED: 1}
    return store.queued_job(key)


@pytest.mark.parametrize("pool", [None, HERE])
def test_workers_that_were_lost_cost_an_attempt(
    store: Store, monkeypatch: pytest.MonkeyPatch, pool: Pool | None
) -> None:
    """The job is done where the runner says; a runner whose cluster was lost ends with the sentence."""
    given: list[Pool | None] = []

    def swept(*_: Any, pool: Pool | None, **__: Any) -> None:
        given.append(pool)
        raise WorkersLostError("the cluster", "went away")

    monkeypatch.setattr(judging, "sweep", swept)
    job = add_job(store, "sweep", {"model": "good"})
    how = Runner(tick_s=0.01, pool=pool)
    if pool is None:
        run_jobs(store, once=True, how=how)
        assert store.queued_job(job.key).reason is JobReason.WORKER_LOST
    for attempt in range(1, 4) if pool is not None else ():
        with pytest.raises(WorkersLostError, match="the cluster: went away"):
            run_jobs(store, once=True, how=how)
        state = store.queued_job(job.key).state
        assert state is (JobState.QUEUED if attempt < 3 else JobState.FAILED)
    assert given == [pool] * 3


def test_a_store_that_is_busy_costs_an_attempt(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def swept(*_: Any, **__: Any) -> None:
        raise StoreBusyError("innage.db", "another process was writing")

    monkeypatch.setattr(judging, "sweep", swept)
    job = add_job(store, "sweep", {"model": "good"})
    run_jobs(store, once=True, how=FAST)
    failed = store.queued_job(job.key)
    assert (failed.state, failed.reason, failed.attempts) == (JobState.FAILED, JobReason.WORKER_LOST, 3)


CHILD = """
import sys, time
from pathlib import Path
from dataset.store import Store
from innage.runner.kinds import fitting
from innage.runner.running import Runner, run_jobs

real = fitting.train

def train(store, *given, progress, **named):
    def watched(what, done, total):
        progress(what, done, total)
        if done and not Path(sys.argv[2]).exists():
            Path(sys.argv[2]).write_text(what)
            time.sleep(120.0)  # until it is killed
    return real(store, *given, progress=watched, **named)

fitting.train = train
with Store.open(sys.argv[1]) as store:
    run_jobs(store, once=True, how=Runner(lease_s=5.0))
"""


@pytest.mark.slow
def test_kill_9_half_way(store: Store, tmp_path: Path) -> None:
    """A runner is killed in the middle of a search; another one takes the job up when its lease has run out,
    by the clock of the database, and the model is that of a search that nobody killed: one opening, one
    model.
    """
    asked = {"frozen": "all", "families": ["line"], "date": "2026-01-01"}
    job = add_job(store, "train", {"name": "m", **asked})
    flag = tmp_path / "half-way"
    child = subprocess.Popen([sys.executable, "-P", "-c", CHILD, str(store.path), str(flag)])
    until = time.monotonic() + 100.0
    while not flag.exists() and time.monotonic() < until:
        assert child.poll() is None
        time.sleep(0.05)
    child.send_signal(signal.SIGKILL)
    child.wait()
    running = store.queued_job(job.key)
    assert (running.state, running.attempts) == (JobState.RUNNING, 1)
    while store.queued_job(job.key).state is not JobState.SUCCEEDED and time.monotonic() < until:
        run_jobs(store, once=True, how=Runner(tick_s=0.05))
        time.sleep(0.2)
    ended = store.queued_job(job.key)
    assert (ended.state, ended.attempts) == (JobState.SUCCEEDED, 2)
    frozen = store.frozen_set("all")
    assert store.prove_purposes(frozen) == ("train m",)
    again = add_job(store, "train", {"name": "n", **asked})
    run_jobs(store, once=True)
    twin, model = store.model("n"), store.model("m")
    assert store.queued_job(again.key).state is JobState.SUCCEEDED
    programs = [json.loads(one.program) | {"name": "of both"} for one in (twin, model)]
    assert (programs[0], twin.recipe) == (programs[1], model.recipe)
    assert json.loads(model.metrics)["openings"] == 1
    assert Held(job.key, 2).fence == ended.fence
    assert frozen.groups(Role.PROVE) == ("u2", "u3")
