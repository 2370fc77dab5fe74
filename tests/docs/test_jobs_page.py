"""docs/jobs.md runs as it stands there: at hand, from Python, on a server, by curl; its tables are whole."""

from __future__ import annotations

import configparser
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import httpx
import pytest
from pages import two_models
from typer.main import get_command

from dataset.records import Scope
from dataset.store import Store
from dataset.words import JobReason, JobState
from doors import open_door
from innage.cli import app
from innage.runner.queueing import add_job
from innage.runner.running import run_jobs
from innage.service.rights import RULES

Run = Callable[..., dict[str, str]]
NAME = "docs/jobs.md"
PAGE = (Path(__file__).parents[2] / NAME).read_text(encoding="utf-8")
SERVER, TOKEN = "https://store.example", "$INNAGE_TOKEN"
CURL = re.compile(r"^    curl ((?:.*\\\n)*.*)$", re.MULTILINE)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """The store that the page presumes: a set, limits, models 'first' and 'second'."""
    path = tmp_path / "innage.db"
    two_models(path, frozen="canister", limits="canister")
    return path


def at_hand(line: str) -> bool:
    return SERVER not in line


@pytest.mark.slow
def test_jobs_at_hand(run_page: Run, bench: Path, tmp_path: Path) -> None:
    """Both jobs are done; the page's key is that of the report, and of one more that is cancelled."""
    begins = ("innage job add", "innage runner", "innage job list")
    printed = run_page(NAME, only=lambda line: at_hand(line) and line.startswith(begins))
    trained, reported = (said.strip() for line, said in printed.items() if " add " in line)
    assert printed["innage job list"].count(" succeeded ") == 2
    looks = ("innage job show", "innage job log")
    printed = run_page(
        NAME, {"1dbc": reported[:4]}, only=lambda line: at_hand(line) and line.startswith(looks)
    )
    assert len(printed) == 3
    assert all("succeeded" in said for said in printed.values())
    assert (tmp_path / "files" / "page.html").read_bytes().startswith(b"<!doctype html>")
    with Store.open(bench) as store:
        assert store.queued_job(trained).state is JobState.SUCCEEDED
        assert store.model("m1").frozen.name == "canister"
    of_python(tmp_path)
    with Store.open(bench) as store:
        (first, *_) = store.queued_jobs()
        assert (first.kind, first.state) == ("sweep", JobState.SUCCEEDED)


def of_python(folder: Path) -> None:
    """The page's block, in a process of its own."""
    (block,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    ran = subprocess.run(
        [sys.executable, "-P", "-c", block],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert (ran.returncode, ran.stdout) == (0, "succeeded\n"), ran.stderr


def test_cancelling(run_page: Run, bench: Path) -> None:
    """A job that waits, twice over."""
    with Store.open(bench) as store:
        job = add_job(store, "sweep", {"model": "second"})
    for _ in range(2):
        (said,) = run_page(NAME, {"1dbc": job.key[:4]}, only=lambda line: " cancel " in line).values()
        assert said == f"job {job.key[:12]} is cancelled\n"


@pytest.mark.slow
def test_jobs_of_a_server(run_page: Run, bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Queued and looked at by the commands, with a token of the scopes that the page names; queued by curl's
    request and followed by its stream, to the end.
    """
    with Store.open(bench) as store, open_door(store, authorise=None) as url:
        token = store.add_token("ci", [Scope.READ, Scope.RUN])[1]
        monkeypatch.setenv("INNAGE_TOKEN", token)
        asks = run_page(NAME, {SERVER: url}, only=lambda line: " add " in line and not at_hand(line))
        (key,) = (said.strip() for said in asks.values())
        run_jobs(store, once=True)
        looks = run_page(
            NAME, {SERVER: url, "1dbc": key[:4]}, only=lambda line: " add " not in line and not at_hand(line)
        )
        assert len(looks) == 2
        assert all(" succeeded " in said for said in looks.values())
        follows_by_curl(store, url, token)


def follows_by_curl(store: Store, url: str, token: str) -> None:
    queueing, streaming = (words_of(line, {SERVER: url, TOKEN: token}) for line in CURL.findall(PAGE))
    asked = httpx.post(queueing[-1], headers=headers_of(queueing), content=queueing[queueing.index("-d") + 1])
    assert (asked.status_code, asked.json()["settings"]["name"]) == (202, "m2")
    place = asked.headers["Location"]
    run_jobs(store, once=True)
    stream = re.sub(r"/v1/jobs/\w+", place, streaming[-1])
    assert stream != streaming[-1]
    with httpx.stream("GET", stream, headers=headers_of(streaming), timeout=60) as answer:
        lines = [line for line in answer.iter_lines() if line.startswith("event:")]
    assert (lines[0], lines[-1]) == ("event: queued", "event: succeeded")


def words_of(line: str, swap: dict[str, str]) -> list[str]:
    """The words of a command of the page, with others in place of these."""
    line = line.replace("\\\n", " ")
    for old, new in swap.items():
        line = line.replace(old, new)
    return shlex.split(line)


def headers_of(words: list[str]) -> dict[str, str]:
    """What curl sends for each ``-H`` (curl's manual, '--header': 'Name: value')."""
    return dict(word.split(": ", 1) for before, word in pairwise(words) if before == "-H")


def test_the_unit_file() -> None:
    """What it starts is a command, and a step may take longer than a minute before it is killed."""
    (text,) = re.findall(r"((?:    \w+=.*\n)+)", PAGE)
    unit = configparser.ConfigParser()
    unit.optionxform = str  # type: ignore[method-assign,assignment]  # names keep their case
    unit.read_string("[Service]\n" + re.sub("^    ", "", text, flags=re.MULTILINE))
    program, name = shlex.split(unit["Service"]["ExecStart"])
    command = get_command(app).get_command(None, name)  # type: ignore[attr-defined]  # a group
    assert Path(program).is_absolute()
    assert command is not None
    assert command.make_context(name, []).params["once"] is False
    assert int(unit["Service"]["TimeoutStopSec"]) > 60


def test_the_routes() -> None:
    """The table has each of the queue's, with the scope that it takes."""
    listed = re.findall(r"^\| `(\w+) (/v1/jobs[^`?]*)[^`]*` \| `(\w+)` \|", PAGE, re.MULTILINE)
    assert {(method, path): scope for method, path, scope in listed} == {
        route: rule.value for route, rule in RULES.items() if route[1].startswith("/v1/jobs")
    }


def test_the_reasons() -> None:
    """The table has each, and no other."""
    assert sorted(re.findall(r"^\| `(\w+)` \| [a-z]", PAGE, re.MULTILINE)) == sorted(JobReason)
