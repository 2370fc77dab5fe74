"""``innage job`` with ``--server``: a service on this machine that goes by its tokens, beside its store at
hand.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace

import pytest
from stores import ROLES, model_of

from building import bench_store
from calling import run, run_json
from dataset.records import GroupBy, Scope
from dataset.store import Store
from doors import open_door
from innage.runner.facts import job_facts
from innage.runner.kinds import judging, writing
from innage.runner.running import Runner, run_jobs
from innage.service.client import connection
from innage.service.client import jobs as client
from innage.service.messages import wire
from innage.service.routes import jobs as routes

ALL = (Scope.READ, Scope.PULL, Scope.RUN, Scope.PUSH)


@pytest.fixture
def team(tmp_path: Path) -> Iterator[Store]:
    """A team's store with a model that no job looks into."""
    with Store.open(tmp_path / "team.db") as store:
        session = store.add_sessions([bench_store(store).session(1)])[0]
        store.add_model(model_of(store.freeze("set", [session], GroupBy.LEVEL, ROLES)))
        yield store


@pytest.fixture
def at(team: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[tuple[str, str]]:
    """The option for its service; the token may do all that jobs take. No store lies here."""
    holding(team, monkeypatch, ALL)
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    monkeypatch.delenv("INNAGE_STORE", raising=False)
    monkeypatch.setattr(connection, "PAUSES_S", (0.0,))
    figures = SimpleNamespace(facts=lambda: {"openings": 0, "rows": [1, 2]})
    monkeypatch.setattr(judging, "sweep", lambda *_, **__: figures)
    with open_door(team, authorise=None) as url:
        yield "--server", url


def holding(team: Store, monkeypatch: pytest.MonkeyPatch, scopes: Sequence[Scope]) -> None:
    """Whoever calls shows a token of these scopes."""
    named = "-".join(scopes)
    monkeypatch.setenv("INNAGE_TOKEN", team.add_token(f"holder-{named}", scopes)[1])


@pytest.mark.longer
def test_jobs_of_a_server_look_as_those_at_hand(
    team: Store, at: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Queued once, listed by state, cancelled, done by a runner beside the service, told of, its files."""
    here = ("--store", tmp_path / "team.db")
    monkeypatch.setattr(client, "MOST_EVENTS", 2)  # so that the log comes in several answers
    monkeypatch.setattr(routes, "MOST_EVENTS", 2)
    key = run("job", "add", "sweep", "m", *at).strip()
    assert run("job", "add", "sweep", "m", *at).strip() == key
    other = run_json("job", "add", "study", "m", "--trims", *at)
    assert other == run_json("job", "show", other["job"], *here)
    for place in (at, at, here):  # whose answer was lost asks again
        assert run("job", "cancel", other["job"][:8], *place) == f"job {other['job'][:12]} is cancelled\n"
    run_jobs(team, once=True, how=Runner(tick_s=0.01))
    for words in (
        ("list",),
        ("list", "--state", "cancelled", "--state", "failed"),
        ("list", "--limit", "1"),
        ("show", key[:6]),
        ("show", other["job"]),
        ("log", key.upper()),
        ("log", key, "--follow"),
    ):
        assert run("job", *words, *at) == run("job", *words, *here), words
    for words in (("list",), ("show", key), ("log", key)):
        assert run_json("job", *words, *at) == run_json("job", *words, *here), words
    assert len(run_json("job", "log", key, *at)) == 3
    run("job", "show", key, "--out", "files", *at)
    assert json.loads(Path("files/sweep.json").read_text()) == {"openings": 0, "rows": [1, 2]}
    assert {job.asked_by for job in team.queued_jobs()} == {"holder-" + "-".join(ALL)}


def test_a_log_goes_to_the_server_with_its_job(
    team: Store, at: tuple[str, str], monkeypatch: pytest.MonkeyPatch, refused: Callable[..., str]
) -> None:
    """Once, by its hash; one that is larger than a request may be is refused before anything is sent."""
    monkeypatch.setattr(writing, "_replayer", lambda *_: None)
    Path("a.csv").write_bytes(b"pad\n1000\n")
    job = run_json("job", "add", "replay", "m", "a.csv", *at)
    assert list(job["files"]) == ["in/a.csv"]
    assert team.job_file(job["job"], job["files"]["in/a.csv"]) == b"pad\n1000\n"
    monkeypatch.setattr(wire, "MOST_BLOB", 4)
    said = refused("job", "add", "replay", "m", "a.csv", *at)
    assert "a.csv: 0.0 MiB; expected at most 0 MiB each where they go to a server" in said
    assert len(team.queued_jobs()) == 1


@pytest.mark.longer
def test_what_a_server_refuses_is_one_sentence(
    team: Store, at: tuple[str, str], monkeypatch: pytest.MonkeyPatch, refused: Callable[..., str]
) -> None:
    key = run("job", "add", "sweep", "m", *at).strip()
    other = run("job", "add", "study", "m", "--trims", *at).strip()
    run("job", "cancel", other, *at)
    run_jobs(team, once=True, how=Runner(tick_s=0.01))
    cases = [
        (("add", "sweep", "none"), "model none: is not in the store. There are: m"),
        (("add", "train", "set", "--name", "m"), "model m: "),
        (("show", "abcd"), "job abcd: is not in this store"),
        (("show", "../x"), "expected the first digits of its key, at least 4"),
        (("log", "abc"), "expected the first digits of its key, at least 4"),
        (("cancel", key), "has succeeded; expected one that is queued or runs"),
        (("list", "--limit", "501"), "--limit: 501; expected at most 500 from a server"),
        (("show", other, "--out", "x"), "made no files"),
    ]
    for words, said in cases:
        told = refused("job", *words, *at)
        assert said in told, words
        assert told.count("\n") == 1, words
    holding(team, monkeypatch, [Scope.READ])
    assert "the token has not the scope run. Ask whoever runs the server" in refused(
        "job", "cancel", key, *at
    )
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        there = f"http://127.0.0.1:{nobody.getsockname()[1]}"
        assert "cannot be reached" in refused("job", "list", "--server", there)
    monkeypatch.setenv("INNAGE_TOKEN", "inn_no")
    assert "INNAGE_TOKEN: holds a token that was cut or mistyped" in refused("job", "list", *at)


def test_a_server_that_says_something_else(
    team: Store, at: tuple[str, str], monkeypatch: pytest.MonkeyPatch, refused: Callable[..., str]
) -> None:
    """A word that no state has, bytes of another hash."""
    key = run("job", "add", "sweep", "m", *at).strip()
    run_jobs(team, once=True, how=Runner(tick_s=0.01))
    with monkeypatch.context() as other:
        other.setattr(Store, "job_file", lambda *_: b"other")
        assert "gives other bytes than those of file" in refused("job", "show", key, "--out", "x", *at)
    assert not Path("x").exists()
    monkeypatch.setattr(routes, "job_facts", lambda job: job_facts(job) | {"state": "flying"})
    assert "says 'flying' of a job; expected the service of a store" in refused("job", "show", key, *at)
