"""Jobs over HTTP: asked for once, told of until they have ended, within the rights of a token."""

from __future__ import annotations

import hashlib
import json
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
from stores import ROLES, model_of

from building import bench_store
from dataset.records import GroupBy, Held, NewJob, Scope
from dataset.store import Store
from dataset.words import JobEventKind, JobReason
from doors import open_door
from innage.runner.kinds import judging
from innage.runner.running import Runner, run_jobs
from innage.runner.versions import versions
from innage.service import streams

ASKED = {"kind": "sweep", "settings": {"model": "m"}}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A store with a model that no job looks into."""
    with Store.open(tmp_path / "team.db") as opened:
        session = opened.add_sessions([bench_store(opened).session(1)])[0]
        opened.add_model(model_of(opened.freeze("set", [session], GroupBy.LEVEL, ROLES)))
        yield opened


@pytest.fixture
def runs(store: Store) -> Iterator[httpx.Client]:
    """A client with a token that may read, pull and run, and push blobs."""
    shown = store.add_token("ci", [Scope.READ, Scope.PULL, Scope.RUN, Scope.PUSH])[1]
    with (
        open_door(store, authorise=None) as url,
        httpx.Client(base_url=url, headers={"Authorization": f"Bearer {shown}"}, timeout=30.0) as client,
    ):
        yield client


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looks of a stream follow each other at once, and a sweep takes no time."""
    monkeypatch.setattr(streams, "LOOK_S", 0.02)
    monkeypatch.setattr(streams, "_SLICE_S", 0.01)
    figures = SimpleNamespace(facts=lambda: {"openings": 0, "rows": [1, 2]})
    monkeypatch.setattr(judging, "sweep", lambda *_, **__: figures)


def read(stream: httpx.Response) -> list[dict[str, Any]]:
    """The events of a stream to its end, by the rules of the standard (WHATWG HTML, 9.2.6)."""
    events: list[dict[str, Any]] = []
    fields: dict[str, str] = {}
    for line in stream.iter_lines():
        if not line and "data" in fields:
            data = json.loads(fields["data"])
            assert (str(data["number"]), data["kind"]) == (fields["id"], fields["event"])
            events.append(data)
        if not line:
            fields = {}
        elif not line.startswith(":"):
            name, _, value = line.partition(": ")
            fields[name] = value
    return events


@pytest.mark.longer
@pytest.mark.usefixtures("quick")
def test_a_job_over_http(store: Store, runs: httpx.Client) -> None:
    """202 and where it is; the same again is the same job; when it has ended its file is there."""
    asked = runs.post("/v1/jobs", json=ASKED)
    assert asked.status_code == 202
    place = asked.headers["location"]
    assert place == f"/v1/jobs/{asked.json()['job']}"
    again = runs.post("/v1/jobs", json=ASKED)
    assert (again.status_code, again.headers["location"]) == (202, place)
    assert runs.get(place).json() == asked.json()
    assert [one["job"] for one in runs.get("/v1/jobs?state=queued").json()["jobs"]] == [asked.json()["job"]]
    assert runs.get("/v1/jobs?state=running&state=failed").json() == {"jobs": []}
    run_jobs(store, once=True, how=Runner(tick_s=0.01))
    done = runs.get(place).json()
    assert (done["state"], done["asked_by"]) == ("succeeded", "ci")
    content = runs.get(f"{place}/files/{done['files']['sweep.json']}")
    assert content.json() == {"openings": 0, "rows": [1, 2]}
    assert content.headers["content-disposition"] == "attachment"
    assert runs.get(f"{place}/files/{'0' * 64}").status_code == 404
    told = runs.get(f"{place}/log").json()["events"]
    assert [event["kind"] for event in told] == ["queued", "claimed", "succeeded"]
    assert runs.get(f"{place}/log?after={told[1]['number']}").json()["events"] == told[2:]
    assert runs.post(f"{place}/cancel").json()["type"] == "/problems/conflict"
    kinds = [entry.kind for entry in store.last_audit(2)]
    assert kinds == ["token", "job"]


def test_who_asks_again_to_cancel_changes_nothing(store: Store, runs: httpx.Client) -> None:
    """The answer to the first request was lost: the same answer, no other event, and one row of the audit."""
    place = runs.post("/v1/jobs", json=ASKED).headers["location"]
    first, second = (runs.post(f"{place}/cancel") for _ in range(2))
    assert (first.status_code, first.json()["state"]) == (202, "cancelled")
    assert (second.status_code, second.json()) == (202, first.json())
    told = runs.get(f"{place}/log").json()["events"]
    assert [event["kind"] for event in told] == ["queued", "cancel asked", "cancelled"]
    assert [entry.kind for entry in store.last_audit(2)] == ["job", "job cancel"]


@pytest.mark.longer
def test_what_is_refused(runs: httpx.Client) -> None:
    """Settings that cannot be, names that the store does not have, blobs that were not sent."""
    cases: list[tuple[dict[str, Any], int, str]] = [
        ({"kind": "fly", "settings": {}}, 422, "refused"),
        ({"kind": "sweep", "settings": {"model": 3}}, 422, "refused"),
        ({"kind": "sweep", "settings": {"model": "none"}}, 404, "not-found"),
        ({"kind": "sweep"}, 422, "refused"),
        ({"settings": {}}, 422, "invalid-request"),
        ({**ASKED, "more": 1}, 422, "invalid-request"),
        ({"kind": "replay", "settings": {"model": "m"}, "files": {"a.csv": "f" * 64}}, 409, "missing-blobs"),
        ({"kind": "replay", "settings": {"model": "m"}, "files": {"a.csv": "../a"}}, 422, "invalid-request"),
    ]
    for body, status, kind in cases:
        answer = runs.post("/v1/jobs", json=body)
        assert (answer.status_code, answer.json()["type"]) == (status, f"/problems/{kind}"), body
    assert runs.get("/v1/jobs").json() == {"jobs": []}
    for path in ("", "/log", "/events", f"/files/{'0' * 64}"):
        assert runs.get(f"/v1/jobs/{'e' * 64}{path}").status_code == 404
    assert runs.post(f"/v1/jobs/{'e' * 64}/cancel").status_code == 404


def test_a_file_goes_with_a_job(store: Store, runs: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """A log that was sent as a blob is kept with the job, which has its hash among its inputs."""
    from innage.runner.kinds import writing

    monkeypatch.setattr(writing, "_replayer", lambda *_: None)
    content = b"pad\n1000\n"
    digest = hashlib.sha256(content).hexdigest()
    assert runs.put(f"/v1/blobs/{digest}", content=content).status_code == 201
    body = {"kind": "replay", "settings": {"model": "m"}, "files": {"a.csv": digest}}
    asked = runs.post("/v1/jobs", json=body).json()
    assert asked["inputs"]["file a.csv"] == digest
    assert asked["files"] == {"in/a.csv": digest}
    assert runs.get(f"/v1/jobs/{asked['job']}/files/{digest}").content == content
    assert store.job_file(asked["job"], digest) == content


@pytest.mark.longer
@pytest.mark.usefixtures("quick")
def test_a_stream_tells_until_the_end(store: Store, runs: httpx.Client) -> None:
    """It begins with what was told before, goes on as it is told, and ends with the job; who asks again
    behind the last event is told that there is nothing more.
    """
    key = runs.post("/v1/jobs", json=ASKED).json()["job"]

    def work() -> None:
        job = store.claim_job("host 1", versions())
        assert job is not None
        held = Held(job.key, job.fence)
        for step in range(3):
            time.sleep(0.05)
            store.tell_of_job(held, JobEventKind.PROGRESS, f"line\n{step}")
        store.job_failed(held, JobReason.REFUSED, "no")

    runner = threading.Thread(target=work)
    with runs.stream("GET", f"/v1/jobs/{key}/events") as stream:
        runner.start()
        assert stream.headers["content-type"].startswith("text/event-stream")
        assert stream.headers["cache-control"] == "no-store"
        events = read(stream)
    runner.join()
    assert [event["kind"] for event in events] == ["queued", "claimed", *["progress"] * 3, "failed"]
    assert events[2]["text"] == "line\n0"
    assert events == runs.get(f"/v1/jobs/{key}/log").json()["events"]
    behind = {"Last-Event-ID": str(events[1]["number"])}
    with runs.stream("GET", f"/v1/jobs/{key}/events", headers=behind) as stream:
        assert read(stream) == events[2:]
    last = {"Last-Event-ID": str(events[-1]["number"])}
    assert runs.get(f"/v1/jobs/{key}/events", headers=last).status_code == 204


@pytest.mark.usefixtures("quick")
def test_a_stream_ends_with_its_reader_and_its_token(
    store: Store, runs: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader that goes away is counted out, at most so many are open, and a token that is revoked hears
    nothing more.
    """
    key = runs.post("/v1/jobs", json=ASKED).json()["job"]
    monkeypatch.setattr("innage.service.routes.jobs.MOST_OPEN", 1)
    with runs.stream("GET", f"/v1/jobs/{key}/events") as stream:
        lines = stream.iter_lines()  # kept: letting go of it closes the stream
        assert next(lines) == "retry: 3000"
        busy = runs.get(f"/v1/jobs/{key}/events")
        assert (busy.status_code, busy.json()["type"]) == (503, "/problems/busy")
        assert runs.head(f"/v1/jobs/{key}/events").status_code == 200  # has no body, and opens none
    until = time.monotonic() + 20.0
    while time.monotonic() < until:
        with runs.stream("GET", f"/v1/jobs/{key}/events") as stream:
            if stream.status_code == 200:
                store.revoke_token(store.tokens()[0].id, "left the team")
                assert [event["kind"] for event in read(stream)] == ["queued"]
                break
        time.sleep(0.02)
    else:
        pytest.fail("the reader that went away is still counted")
    assert runs.get(f"/v1/jobs/{key}/events").status_code == 401


@pytest.mark.longer
def test_who_may(store: Store) -> None:
    """To read is not to run; a token for one bench may not queue what is of none."""
    shown = {
        name: store.add_token(name, scopes, bench=bench)[1]
        for name, scopes, bench in (
            ("reads", [Scope.READ, Scope.PULL], None),
            ("of-a-bench", [Scope.READ, Scope.RUN], "b" * 32),
        )
    }
    with open_door(store, authorise=None) as url:
        for token in shown.values():
            headers = {"Authorization": f"Bearer {token}"}
            assert httpx.post(f"{url}/v1/jobs", json=ASKED, headers=headers).status_code == 403
            assert httpx.get(f"{url}/v1/jobs", headers=headers).json() == {"jobs": []}
        assert httpx.post(f"{url}/v1/jobs", json=ASKED).status_code == 401
    assert store.queued_jobs() == ()


@pytest.mark.slow
def test_a_service_that_is_told_to_end_ends_its_streams(store: Store) -> None:
    """At once and whole, though it would give them a minute."""
    shown = store.add_token("ci", [Scope.READ, Scope.RUN])[1]
    job = store.queue_job(NewJob("sweep", {}, {}, {}))
    words = ("innage", "serve", "--store", str(store.path), "--port", "0", "--grace-s", "60")
    command = [sys.executable, "-P", "-m", *words]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        url = re.search(r"http://127\.0\.0\.1:\d+", process.stderr.readline())[0]  # type: ignore[index]  # it is there
        headers = {"Authorization": f"Bearer {shown}"}
        with httpx.stream("GET", f"{url}/v1/jobs/{job.key}/events", headers=headers, timeout=30.0) as stream:
            lines = stream.iter_lines()
            assert next(lines) == "retry: 3000"
            process.send_signal(signal.SIGTERM)
            assert "event: queued" in list(lines)
        process.communicate(timeout=30)
    assert process.returncode in (0, -signal.SIGTERM, 128 + signal.SIGTERM)
