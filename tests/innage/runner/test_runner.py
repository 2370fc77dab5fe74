"""The runner: jobs done, given back, taken up after a runner that was killed, never two results."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from dataset.errors import InputError, NotFoundError, StoreBusyError, ToolError, WorkersLostError
from dataset.pools import HERE, Pool
from dataset.records import Budget, FrozenSet, Held, Limit, Limits, Model, QueuedJob, Scope
from dataset.store import Store
from dataset.store.team import clock
from dataset.words import JobEventKind, JobReason, JobState, Role
from innage.jobs import Progress
from innage.jobs.models.judging import sweep
from innage.runner.kinds import KINDS, fitting, judging
from innage.runner.queueing import add_job
from innage.runner.running import Runner, run_jobs
from innage.runner.versions import versions

FAST = Runner(tick_s=0.01, poll_s=0.01)
PROVE = {"model": "good", "role": "prove"}


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


def test_a_job_comes_to_what_the_call_comes_to(store: Store) -> None:
    """The figures of a sweep are those of the function, called here; the day of training, the revision of the
    limits are settled when the job is queued.
    """
    job = done(store, "sweep", model="good", limits="owner")
    assert job.state is JobState.SUCCEEDED
    assert job.settings == {"model": "good", "role": "choose", "limits": "owner@1"}
    assert json.loads(of_job(store, job, "sweep.json")) == json.loads(
        json.dumps(sweep(store, "good", limits="owner").facts())
    )
    asked = add_job(store, "train", {"frozen": "all", "name": "m"})
    assert asked.settings["date"] is not None
    assert asked.inputs["frozen"] == store.frozen_set("all").sha256
    assert asked.versions == versions()


@pytest.mark.parametrize(
    ("settings", "what"),
    [
        (
            {"model": "good", "rol": "prove"},
            "'rol'; expected some of model, role, limits. Did you mean 'role'",
        ),
        ({}, "no model"),
        ({"model": 7}, "7; expected a text"),
        ({"model": "a\nb"}, "on one line"),
        ({"model": "good", "role": "fit it"}, "expected one of fit, choose"),
        ({"model": "good", "files": ["x"]}, "'files'"),
    ],
)
def test_settings_that_cannot_be(store: Store, settings: dict[str, Any], what: str) -> None:
    with pytest.raises(InputError, match=what):
        add_job(store, "sweep", settings)
    assert store.queued_jobs() == ()


def test_what_cannot_be_is_refused_when_it_is_queued(store: Store) -> None:
    """As the function itself does, so that nobody waits for it: names that are taken or not there, and files
    that nobody asked for.
    """
    cases: list[tuple[str, dict[str, Any], dict[str, bytes], str]] = [
        ("train", {"frozen": "all", "name": "good"}, {}, "exists already"),
        ("train", {"frozen": "all", "name": "m", "seed": -1}, {}, "0 to 4294967295"),
        ("train", {"frozen": "all", "name": "m", "families": "line"}, {}, "a list"),
        ("export", {"model": "good", "budget": "roomy", "kernels": 3}, {}, "expected a text"),
        ("export", {"model": "good", "budget": "roomy", "uses": ["flying"]}, {}, "flying"),
        ("report", {"about": "model", "name": "good", "second": "bad"}, {}, "a second model"),
        ("report", {"about": "compare", "name": "good"}, {}, "no second model"),
        ("replay", {"model": "good", "files": ["a.csv"]}, {}, "none; expected a.csv"),
        ("replay", {"model": "good"}, {"../a.csv": b"pad\n1\n"}, "names of letters"),
        ("replay", {"model": "good"}, {"a.csv": b"pad\n1\n", "A.csv": b"pad\n1\n"}, "two of one name"),
        ("sweep", {"model": "good"}, {"a.csv": b"pad\n1\n"}, "none for sweep"),
        ("fly", {}, {}, "one of train, retrain, compare"),
    ]
    for kind, settings, files, what in cases:
        with pytest.raises(InputError, match=what):
            add_job(store, kind, settings, files)
    for settings in ({"model": "none"}, {"model": "good", "limits": "none"}):
        with pytest.raises(NotFoundError):
            add_job(store, "sweep", settings)
    assert store.queued_jobs() == ()


@pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_what_jobs_come_to(store: Store, every: bool) -> None:
    """Pages, figures and readings are kept with their hashes; the same again comes to the same."""
    frames = b"pad\n1000\n1640\n"
    session = store.sessions()[0].id
    asked: dict[str, dict[str, Any]] = {
        "compare": {"first": "bad", "second": "good"},
        "report session": {"about": "session", "name": session},
        "report model": {"about": "model", "name": "good"},
        "report frozen": {"about": "frozen", "name": "all"},
        "replay": {"model": "good"},
    }
    files = {"replay": {"a log.csv": frames}}
    outputs = {"compare": ["comparison.json"], "replay": ["a log.csv.readings.csv", "summary.json"]}
    same = ("report frozen", "replay")
    asked = {name: settings for name, settings in asked.items() if every or name in same}
    for again in (asked, same):
        for name in again:
            add_job(store, name.partition(" ")[0], asked[name], files.get(name))
        assert run_jobs(store, once=True, how=FAST) == {JobState.SUCCEEDED: len(again)}
    jobs = dict(zip(asked, reversed(store.queued_jobs()), strict=False))
    for name, job in jobs.items():
        assert job.result is not None
        assert sorted(job.result.outputs) == outputs.get(name, ["page.html"])
    readings = of_job(store, jobs["replay"], "a log.csv.readings.csv").decode().splitlines()
    assert [line.split(",")[2] for line in readings] == ["level_mm", "0.000000", "10.000000"]
    assert of_job(store, jobs["report frozen"], "page.html").startswith(b"<!doctype html>")
    if every:
        assert json.loads(of_job(store, jobs["compare"], "comparison.json"))["second"] == "good"
        # counted once for the same two models, as the command does
        assert store.prove_purposes(store.frozen_set("all")) == ("compare bad good",)
    refused = add_job(store, "replay", {"model": "good"}, {"b.csv": b"other\n1\n"})
    run_jobs(store, once=True, how=FAST)
    assert store.queued_job(refused.key).reason is JobReason.REFUSED
    assert "b.csv" in store.job_events(refused.key)[-1].text
    assert str(Path("innage-")) not in store.job_events(refused.key)[-1].text


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


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """A sweep in place of the real one, which looks at 'prove' as that does; how many openings there were
    each time before it looked.
    """
    seen: list[int] = []

    def swept(
        store: Store, model: str, *, role: Role, limits: str | None, progress: Progress, pool: Pool | None
    ) -> Any:
        frozen = store.model(model).frozen
        seen.append(store.prove_openings(frozen))
        progress("sweeping", 1, 2)
        openings = store.open_prove(frozen, "sweep") if role is Role.PROVE else 0
        return SimpleNamespace(facts=lambda: {"openings": openings, "model": model, "limits": limits})

    monkeypatch.setattr(judging, "sweep", swept)
    return seen


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


def test_a_running_job_is_cancelled(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """It ends at its next step; what it had not written is not there."""
    job = add_job(store, "train", {"frozen": "all", "name": "m"})

    def train(at: Store, *_: Any, progress: Progress, **__: Any) -> None:
        store.cancel_job(job.key)
        for step in range(10_000):
            progress("fitting", step, 10_000)
            time.sleep(0.001)

    monkeypatch.setattr(fitting, "train", train)
    assert run_jobs(store, once=True, how=FAST) == {JobState.CANCELLED: 1}
    assert store.queued_job(job.key).state is JobState.CANCELLED
    assert told(store, job)[-1] == "cancelled"


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


@pytest.mark.parametrize(
    ("error", "reason", "text"),
    [
        (InputError("here", "this"), JobReason.REFUSED, "here: this"),
        (ToolError("compiler", "gone"), JobReason.TOOL_FAILED, "compiler: gone"),
        (MemoryError(), JobReason.OUT_OF_MEMORY, "not enough memory"),
        (ZeroDivisionError("secret"), JobReason.CRASHED, "ZeroDivisionError; the output"),
    ],
)
def test_why_a_job_fails(
    store: Store, monkeypatch: pytest.MonkeyPatch, error: Exception, reason: JobReason, text: str
) -> None:
    """A reason of the list and a sentence; the traceback of what nobody expected is the runner's to print."""

    def swept(*_: Any, **__: Any) -> None:
        raise error

    said: list[str] = []
    monkeypatch.setattr(judging, "sweep", swept)
    job = add_job(store, "sweep", {"model": "good"})
    how = Runner(tick_s=0.01, say=said.append)
    assert run_jobs(store, once=True, how=how) == {JobState.FAILED: 1}
    failed = store.queued_job(job.key)
    assert failed.reason is reason
    last = store.job_events(job.key)[-1].text
    assert text in last
    assert "secret" not in last
    assert any("Traceback" in line for line in said) is (reason is JobReason.CRASHED)


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


def test_inputs_that_changed(store: Store, looks: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that stands for something else by now: nothing is done."""
    job = add_job(store, "sweep", {"model": "good", "limits": "owner"})
    other = Limits("owner", 0, (Limit("p95_abs_mm", 7.0),))
    store.add_limits(other)  # another revision: the job has its own
    add_job(store, "export", {"model": "good", "budget": "roomy"})
    monkeypatch.setattr(Store, "budget", lambda *_: Budget("roomy", "cortex-m0plus", 1, 1, 128, 256, 4000))
    assert run_jobs(store, once=True, how=FAST) == {JobState.SUCCEEDED: 1, JobState.FAILED: 1}
    assert store.queued_job(job.key).state is JobState.SUCCEEDED
    assert store.queued_jobs()[0].reason is JobReason.INPUTS_CHANGED
    assert looks == [0]


def test_another_result_is_an_alarm(store: Store, looks: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    """The second run of the same job comes to other figures: it fails, and both keep their hashes."""
    first = done(store, "sweep", model="good")
    other = SimpleNamespace(facts=lambda: {"openings": 0, "model": "another"})
    monkeypatch.setattr(judging, "sweep", lambda *_, **__: other)
    second = done(store, "sweep", model="good")
    assert (first.state, second.state) == (JobState.SUCCEEDED, JobState.FAILED)
    assert second.reason is JobReason.RESULT_DIFFERS
    assert first.result is not None
    assert second.result is not None
    assert first.result.hashes != second.result.hashes
    assert looks == [0]


def test_other_versions_are_said_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The job is kept, and waits for a runner that has them."""
    from innage.runner import queueing

    monkeypatch.setattr(queueing, "versions", lambda: versions() | {"numpy": "1.0"})
    job = add_job(store, "sweep", {"model": "good"})
    said: list[str] = []
    looks: list[int] = []
    how = Runner(poll_s=0.0, say=said.append, should_stop=lambda: looks.append(1) or len(looks) > 9)  # type: ignore[func-returns-value]  # counts
    run_jobs(store, how=how)
    assert said == [
        f"job {job.key[:12]} stays queued: it asks for numpy 1.0, and here is {versions()['numpy']}"
    ]
    assert store.queued_job(job.key).state is JobState.QUEUED


def test_a_job_is_done_within_the_rights_of_its_token(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The model that it comes to is audited as of who asked; one whose token is revoked meanwhile is not
    done.
    """
    searching(monkeypatch, lambda: None)
    token, _ = store.add_token("asks", [Scope.RUN])
    add_job(store.acting_as(token.actor), "train", {"frozen": "all", "name": "m"})
    run_jobs(store, once=True, how=FAST)
    assert [(entry.kind, entry.who) for entry in store.last_audit(3)] == [
        ("job", "asks"),
        ("opening", "asks"),
        ("model", "asks"),
    ]
    revoked = add_job(store.acting_as(token.actor), "sweep", {"model": "good"})  # which writes nothing
    store.revoke_token(token.id, "left the team")
    run_jobs(store, once=True, how=FAST)
    assert store.queued_job(revoked.key).reason is JobReason.NOT_ALLOWED


def test_every_kind_reads_what_it_wrote(store: Store) -> None:
    """Settings go through JSON unchanged, whatever the kind."""
    from dataclasses import fields

    from innage.runner.settings import read, written

    for name, kind in KINDS.items():
        given: dict[str, Any] = {}
        for field in fields(kind.settings):
            given[field.name] = {"about": "model", "role": "prove", "files": ["a"], "uses": ["b"]}.get(
                field.name, 3 if field.type == "int" else True if field.type == "bool" else "x"
            )
        given |= {"families": ["line"]} if name == "train" else {}
        settings = read(name, kind.settings, given)
        assert json.loads(json.dumps(written(settings))) == given
        assert read(name, kind.settings, written(settings)) == settings


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
