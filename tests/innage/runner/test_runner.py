"""The runner: what jobs come to, what they are refused for, why they fail."""

from __future__ import annotations

import json
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from queued import FAST, done, of_job, searching, told

from dataset.errors import InputError, NotFoundError, ToolError
from dataset.records import Budget, Limit, Limits, Scope
from dataset.store import Store
from dataset.words import JobReason, JobState
from innage.jobs import Progress
from innage.jobs.models.judging import sweep
from innage.runner.kinds import KINDS, fitting, judging
from innage.runner.queueing import add_job
from innage.runner.running import Runner, run_jobs
from innage.runner.versions import versions


@pytest.mark.longer
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
        ("compare", {"first": "good", "second": "good"}, {}, "one and the same program"),
        ("report", {"about": "compare", "name": "bad", "second": "bad"}, {}, "one and the same program"),
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


@pytest.mark.longer
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
