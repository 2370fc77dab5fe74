"""What docs/operating.md shows: commands as they stand there, against a door; the values of the unit files
and of the proxy's configuration, held against the door's own bounds.
"""

from __future__ import annotations

import configparser
import json
import logging
import os
import re
import shlex
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from typer.main import get_command

from building import bench_store
from dataset.errors import StoreError
from dataset.store import Store
from doors import open_door
from innage.cli import app
from innage.service import logs
from innage.service.client import connection
from innage.service.door import Settings
from innage.service.middleware import MOST_BODY
from innage.service.problems import KINDS
from innage.service.rights import RULES, Free, is_page

Run = Callable[..., dict[str, str]]
DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "operating.md").read_text(encoding="utf-8")
NORTH = "a" * 32


def blocks(language: str) -> list[str]:
    """The page's fenced blocks of a language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)


def parameters(name: str, words: list[str]) -> dict[str, Any]:
    """What a command would be called with; refused as the command line refuses it."""
    face: Any = get_command(app)
    command = face.get_command(face.make_context("innage", [name]), name)
    return dict(command.make_context(name, list(words)).params)


@pytest.fixture
def private_files() -> Iterator[None]:
    """As the page says: ``umask 077``."""
    before = os.umask(0o077)
    yield
    os.umask(before)


@pytest.mark.longer
@pytest.mark.usefixtures("private_files")
def test_the_page_from_tokens_to_a_backup_that_came_back(
    run_page: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rig's session comes in by its token, and is in the backup, whose chain is whole; the rig asks
    again and is told that it is there.
    """
    with Store.open(tmp_path / "rig.db", bench=NORTH) as rig:
        rig.add_sessions([bench_store(rig).session(1)])
    monkeypatch.setenv("INNAGE_STORE", "team.db")
    page = "docs/operating.md"
    making = ("innage store upgrade", "innage token ")
    assert len(run_page(page, {"IDENTITY": NORTH}, only=lambda line: line.startswith(making))) == 5
    with Store.open(tmp_path / "team.db") as team, open_door(team, authorise=None) as url:
        swap = {"push https://store.example": f"push {url} --store rig.db"}
        first, second = run_page(page, swap, only=lambda line: line.startswith("innage push ")).values()
    assert ("8 new" in first, "0 new" in second) == (True, True), (first, second)
    rest = ("mkdir ", "innage backup ", "innage restore ", "innage check ", "innage audit ")
    printed = run_page(page, only=lambda line: line.startswith(rest))
    assert len(printed) == 5
    assert "The chain is whole" in printed["innage audit verify --store again.db"]
    with Store.open(tmp_path / "again.db") as again:
        assert len(again.sessions()) == 1
        assert len(again.tokens()) == 3


@pytest.mark.parametrize("number", [0, 1])
def test_unit_files(number: int) -> None:
    """What they start can be called so, and is not killed before its grace is over."""
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[method-assign,assignment]  # names keep their case
    unit.read_string(blocks("ini")[number])
    service = unit["Service"]
    program, name, *words = shlex.split(service["ExecStart"])
    assert Path(program).is_absolute()
    told = parameters(name, words)
    assert service["Restart"] == "on-failure"
    assert name in ("serve", "push")
    if name == "serve":
        assert int(service["TimeoutStopSec"]) > told["grace_s"]
        assert told["host"] == "127.0.0.1"


def directives(text: str) -> dict[str, list[str]]:
    """The directives of an nginx configuration, those of one name and first word together: words, then a
    semicolon or a block in braces (nginx.org/en/docs/beginners_guide.html, 'Configuration File's Structure').
    """
    found: dict[str, list[str]] = {}
    depth, words = 0, list[str]()
    for part in re.findall(r'"[^"]*"|[{};]|[^\s{};]+', text):
        if part in "{;}":
            assert bool(words) == (part != "}"), (part, words)
            if words:
                name = " ".join(words[:2]) if words[0] == "proxy_set_header" else words[0]
                found.setdefault(name, []).append(words[-1])
            depth += {"{": 1, ";": 0, "}": -1}[part]
            words = []
        else:
            words.append(part)
        assert depth >= 0
    assert (depth, words) == (0, [])
    return found


@pytest.mark.longer
def test_the_proxy_lets_through_what_the_door_takes(tmp_path: Path) -> None:
    """Bodies as long, for as long as the door and its client wait; and the name that it asks for never is one
    that opens a store without tokens.
    """
    (text,) = blocks("nginx")
    proxy = {name: values[-1] for name, values in directives(text).items()}
    assert (int(proxy["client_max_body_size"].removesuffix("m")) << 20) > max(MOST_BODY.values())
    assert int(proxy["client_body_timeout"].removesuffix("s")) >= Settings().body_s
    assert int(proxy["proxy_read_timeout"].removesuffix("s")) >= connection.TIMEOUT_S
    assert {proxy[name] for name in ("proxy_buffering", "proxy_request_buffering", "gzip")} == {"off"}
    port = re.search(r"serve .*--port (\d+)", blocks("ini")[0])
    assert port is not None
    assert proxy["proxy_pass"] == f"http://127.0.0.1:{port[1]}"
    assert parameters("serve", [])["port"] == int(port[1])
    name = proxy["proxy_set_header Host"]
    assert proxy["server_name"] == name
    with Store.open(tmp_path / "team.db") as store, open_door(store, authorise=None) as url:
        assert httpx.get(f"{url}/v1", headers={"Host": name}).status_code == 421
        assert httpx.get(f"{url}/v1", headers={"Host": "localhost"}).status_code == 200


def test_the_members_of_a_line_of_the_log(tmp_path: Path) -> None:
    """The page names each, and no other."""
    lines: list[dict[str, Any]] = []
    handler = logging.Handler()
    handler.emit = lambda record: lines.append(json.loads(logs.JsonLines().format(record)))  # type: ignore[method-assign]  # kept here
    logs.log.addHandler(handler)
    level = logs.log.level
    logs.log.setLevel(logging.INFO)
    try:
        with Store.open(tmp_path / "team.db") as store, open_door(store, authorise=None) as url:
            httpx.get(f"{url}/healthz")
            httpx.get(f"{url}/v1/nowhere")
        for error in (StoreError("there", "is damaged", "", "look it over"), ZeroDivisionError()):
            logs.log_error(error)
    finally:
        logs.log.removeHandler(handler)
        logs.log.setLevel(level)
    (paragraph,) = re.findall(r"^The log is a line of JSON .*?`traceback`", PAGE, re.MULTILINE | re.DOTALL)
    named = set(re.findall(r"`(\w+)`", paragraph))
    answered, refused, known, unexpected = map(set, lines)
    assert answered | refused | known | unexpected == named
    members = (refused - answered, known - answered, unexpected - answered)
    assert members == ({"problem"}, {"why"}, {"traceback"})


def test_what_is_asked_without_a_token() -> None:
    """Routes that the page asks by ``curl`` are open to everybody, and no other for programs is."""
    asked = re.findall(r"^    curl --fail http://127\.0\.0\.1:8470(/\w+)$", PAGE, re.MULTILINE)
    assert set(asked) == {
        path for (_, path), rule in RULES.items() if rule is Free.PUBLIC and not is_page(path)
    }


def test_problems_that_the_page_names() -> None:
    """Each with the status that it has."""
    named = re.findall(r"`([a-z-]+)`, (\d{3})", PAGE)
    assert len(named) >= 10
    assert [(kind, KINDS[kind].status) for kind, _ in named] == [
        (kind, int(status)) for kind, status in named
    ]
