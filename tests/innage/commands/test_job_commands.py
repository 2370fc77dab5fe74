"""``innage job`` and ``innage runner`` as a user calls them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from stores import ROLES, model_of

from building import bench_store
from calling import run, run_json
from dataset.records import Budget, GroupBy, JobEvent, Limit, Limits
from dataset.store import Store
from dataset.words import JobEventKind
from innage.runner.kinds import judging
from innage.terminal.views.jobs import show_events


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with a frozen set, limits, a budget and a model that no job looks into."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with Store.open(path) as store:
        session = store.add_sessions([bench_store(store).session(1)])[0]
        frozen = store.freeze("set", [session], GroupBy.LEVEL, ROLES)
        store.add_limits(Limits("owner", 0, (Limit("p95_abs_mm", 1.0),)))
        store.add_budget(Budget("small", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        store.add_model(model_of(frozen))
    return path.read_bytes()


@pytest.fixture
def swept(monkeypatch: pytest.MonkeyPatch) -> None:
    """A sweep that takes no time."""
    figures = SimpleNamespace(facts=lambda: {"openings": 0, "rows": [1, 2]})
    monkeypatch.setattr(judging, "sweep", lambda *_, **__: figures)


@pytest.mark.usefixtures("store", "swept")
def test_a_job_from_the_command_line(tmp_path: Path) -> None:
    """Queued once, listed, done, shown, its log and its files; one of its own is cancelled."""
    key = run("job", "add", "sweep", "m", "--limits", "owner").strip()
    assert len(key) == 64
    assert run("job", "add", "sweep", "m", "--limits", "owner@1").strip() == key
    (listed,) = run_json("job", "list", "--state", "queued")
    assert (listed["job"], listed["settings"]["limits"]) == (key, "owner@1")
    other = run_json("job", "add", "study", "m", "--trims", "--prove", "--seed", "3")
    assert other["settings"] == {
        "model": "m",
        "trims": True,
        "features": False,
        "role": "prove",
        "seed": 3,
        "limits": None,
        "budget": None,
    }
    settings = {
        line.split()[0]: line.split()[-1] for line in run("job", "show", other["job"]).splitlines() if line
    }
    assert (settings["trims"], settings["features"], settings["limits"]) == ("yes", "no", "-")
    assert "is cancelled" in run("job", "cancel", other["job"][:8])
    run("runner", "--once")
    assert [job["state"] for job in run_json("job", "list")] == ["cancelled", "succeeded"]
    shown = run_json("job", "show", key[:6])
    assert list(shown["files"]) == ["sweep.json"]
    assert "came to" in run("job", "show", key[:6], "--out", tmp_path / "files")
    assert json.loads((tmp_path / "files" / "sweep.json").read_text()) == {"openings": 0, "rows": [1, 2]}
    assert [event["kind"] for event in run_json("job", "log", key[:6])] == ["queued", "claimed", "succeeded"]
    assert run("job", "log", key[:6], "--follow").splitlines()[-1].split()[1] == "succeeded"
    assert re.search(r"claimed +attempt 1 by .+, process \d+\n", run("job", "log", key[:6]))
    assert "sweep" in run("job", "list")


def test_events_of_a_job_as_lines(capsys: pytest.CaptureFixture[str]) -> None:
    """An opening says of what; a word of the log stands alone."""
    told = ((JobEventKind.OPENING, "train m"), (JobEventKind.LOG, "2 of 2"), (JobEventKind.QUEUED, "kim"))
    show_events(JobEvent(k, "2026-03-02T09:15:00.5Z", 1, *one, None) for k, one in enumerate(told))
    assert capsys.readouterr().out.splitlines() == [
        "2026-03-02T09:15:00Z  opening      of 'prove', for train m",
        "2026-03-02T09:15:00Z               2 of 2",
        "2026-03-02T09:15:00Z  queued       kim",
    ]


@pytest.mark.usefixtures("store")
def test_the_words_of_the_commands() -> None:
    """What each command takes, and its settings, those that nobody said at what they are without."""
    cases: list[tuple[str, dict[str, Any]]] = [
        (
            "train set --name n --family line --family net --seed 7 --budget small --since-pour",
            {"frozen": "set", "name": "n", "families": ["line", "net"], "seed": 7, "since_pour": True},
        ),
        ("retrain m --frozen set --name n --steps 9", {"model": "m", "frozen": "set", "steps": 9}),
        ("report frozen set", {"about": "frozen", "name": "set", "role": "prove"}),
        ("report model m --budget small", {"about": "model", "name": "m", "budget": "small"}),
        (
            "export m --budget small --uses leanest --even-if-unproven",
            {"model": "m", "budget": "small", "uses": ["leanest"], "even_if_unproven": True, "anyway": False},
        ),
    ]
    for line, settings in cases:
        job = run_json("job", "add", *line.split())
        assert job["settings"] == job["settings"] | settings
        assert job["kind"] == line.split()[0]


@pytest.mark.usefixtures("store")
def test_words_that_are_refused(refused: Callable[..., str], tmp_path: Path) -> None:
    """One sentence each; nothing is queued."""
    assert "given to a job" in refused("job", "add", "report", "model", "m", "--out", "x.html")
    assert "--strict: given to a job" in refused("job", "add", "train", "set", "--name", "n", "--strict")
    assert "expected session, frozen, model or compare" in refused("job", "add", "report", "no")
    assert "one of train, retrain" in refused("job", "add", "fly")
    assert "cannot be read" in refused("job", "add", "replay", "m", tmp_path / "none.csv")
    assert "No such option: --nam" in run("job", "add", "train", "set", "--nam", "n", code=2)
    assert "Usage: innage sweep [OPTIONS]" in run("job", "add", "sweep", code=2)
    assert "is not in this store" in refused("job", "show", "abcd")
    assert "made no files" in refused(
        "job", "show", run("job", "add", "sweep", "m").strip(), "--out", tmp_path / "x"
    )
    assert len(run_json("job", "list")) == 1
