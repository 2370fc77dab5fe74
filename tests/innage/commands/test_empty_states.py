"""An empty store: every list says so and what to try, and what it says to try is a command with these
options.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from building import put
from dataset.records import Unit
from dataset.store import Store
from innage.cli import app

LISTS = (
    "tank list",
    "liquid list",
    "sensor list",
    "mounting list",
    "unit list",
    "operator list",
    "instrument list",
    "standard list",
    "tag list",
    "trim list",
    "budget list",
    "limits list",
    "mapping list",
    "capture list",
    "token list",
    "audit list",
    "channel list",
    "job list",
    "sessions",
    "gaps",
    "plan",
    "frozen",
    "models",
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Nothing in it."""
    return Store.open(tmp_path_factory.mktemp("empty") / "innage.db").path.read_bytes()


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize("words", LISTS)
def test_an_empty_list_says_what_to_try(words: str) -> None:
    result = CliRunner().invoke(app, words.split())
    assert result.exit_code == 0
    assert re.match(r"no .+: try 'innage ", result.stdout), result.stdout
    for tried in re.findall(r"'innage ([^']+)'", result.stdout):
        command: Any = typer.main.get_command(app)
        given = [word for word in shlex.split(tried) if word != "..."]
        while hasattr(command, "commands") and not given[0].startswith("--"):  # a group has options too
            command = command.get_command(None, given.pop(0))
            assert command is not None, tried
        known = {option for param in command.params for option in param.opts}
        assert {word for word in given if word.startswith("--")} <= known, tried


@pytest.mark.usefixtures("store")
def test_every_list_is_looked_at() -> None:
    """A command that is called list, or that lists without an argument, is in the table above; common liquids
    and rigs are never none.
    """
    root: Any = typer.main.get_command(app)
    found = {
        f"{name} list"
        for name in root.list_commands(None)
        if "list" in getattr(root.get_command(None, name), "commands", {})
    }
    assert found <= set(LISTS)


def test_a_wrong_name_is_answered_with_the_nearest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "s.db"))
    with Store.open(tmp_path / "s.db") as store:
        put(store, Unit("unit-1"), Unit("unit-2"), Unit("spare"))
    said = CliRunner().invoke(app, ["unit", "show", "unti-1"])
    assert said.exit_code == 2
    assert (
        said.stderr == "innage: unit unti-1: is not in the store. Did you mean 'unit-1'? There are: unit-1, "
        "unit-2, spare\n"
    )
    assert "There are: spare" in CliRunner().invoke(app, ["unit", "show", "xyz"]).stderr


@pytest.mark.usefixtures("store")
def test_what_the_page_on_the_terminal_shows_is_said() -> None:
    """Each call in docs/terminal.md, on an empty store, and the line under it."""
    page = (Path(__file__).parents[3] / "docs" / "terminal.md").read_text("utf-8")
    shown = re.findall(r"^    \$ innage (.+)\n    (.+)$", page, re.MULTILINE)
    assert len(shown) == 2
    for words, line in shown:
        assert line in CliRunner().invoke(app, shlex.split(words)).output.splitlines()
