"""The commands: listed without an import, each by the first sentence of its own help, and a wrong name
answered with the nearest right one.
"""

from __future__ import annotations

import pkgutil
import shutil
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

import innage.commands
from innage.cli import app
from innage.command_table import COMMANDS
from migrations import REVISIONS

OF_THE_SERVICE = (
    "innage.service",
    "fastapi",
    "starlette",
    "uvicorn",
    "httpx",
    "jinja2",
)  # for serve, push and pull
WIDTH = 78  # what is left of 80 columns for a line of help


def groups() -> Iterator[tuple[str, Any]]:
    """The root of the commands and every group under it, with what is typed before."""
    root = typer.main.get_command(app)
    yield "", root
    for name in COMMANDS:
        command = root.get_command(None, name)  # type: ignore[attr-defined]  # a group's method
        if hasattr(command, "commands"):
            yield name, command


def test_listing_imports_no_command() -> None:
    code = (
        "import sys; from innage.cli import app; sys.argv = ['innage', '--help']\ntry: "
        "app()\nexcept SystemExit: pass\nprint(*sys.modules)"
    )
    out = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True, timeout=60
    ).stdout.splitlines()
    loaded = out[-1].split()
    heavy = ("innage.commands", "rich", "numpy", "sqlalchemy", "cryptography", *OF_THE_SERVICE)
    assert [name for name in loaded if name.startswith(heavy)] == []
    listed = [
        line.split()[0]
        for line in out[out.index("Options:") :]
        if line.startswith("  ") and line.split()[0] in COMMANDS
    ]
    assert listed == list(COMMANDS)


def test_each_line_is_the_first_sentence_of_the_help() -> None:
    root = typer.main.get_command(app)
    for name, entry in COMMANDS.items():
        command: Any = root.get_command(None, name)  # type: ignore[attr-defined]  # a group's method
        assert command.name == name
        assert command.get_short_help_str(200) == entry.line


def test_no_line_is_cut_at_80_columns() -> None:
    for path, group in groups():
        names = group.list_commands(None)
        room = WIDTH - 6 - max(map(len, names))
        for name in names:
            line = group.get_command(None, name).get_short_help_str(room)
            assert not line.endswith("..."), f"{path} {name}: {line}"


def test_every_module_of_commands_is_in_the_table() -> None:
    used = {entry.module for entry in COMMANDS.values()}
    used |= {module for entry in COMMANDS.values() for module in entry.beside}
    named = {module.name for module in pkgutil.iter_modules(innage.commands.__path__)}
    assert named == used
    for name in {entry.module for entry in COMMANDS.values()}:
        module = import_module(f"innage.commands.{name}")
        if hasattr(module, "register"):
            holder = typer.Typer()
            module.register(holder)
            made = {
                info.name or getattr(info.callback, "__name__", None) for info in holder.registered_commands
            }
            assert made == {command for command, entry in COMMANDS.items() if entry.module == name}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["modles"], "No such command 'modles'. Did you mean 'models'?"),
        (["tank", "lits"], "No such command 'lits'. Did you mean 'list'?"),
        (["models", "--stroe", "x"], "No such option: --stroe. Did you mean '--store'?\n"),
        (
            ["--budget", "models"],
            "No such option: --budget. Options stand after the command: innage COMMAND --budget ...",
        ),
        (["--versoin"], "No such option: --versoin. Did you mean '--version'?"),
        (["xyzzy"], "No such command 'xyzzy'.\n"),
    ],
)
def test_a_wrong_word_is_answered_with_the_nearest(words: list[str], said: str) -> None:
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 2
    assert said in result.stderr


def test_version_is_the_packages() -> None:
    from importlib.metadata import version

    assert CliRunner().invoke(app, ["--version"]).stdout == f"innage {version('innage')}\n"


def test_an_error_that_came_of_ctrl_c_ends_as_ctrl_c_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """What fails while workers are being stopped is not reported as a fault of its own; any
    other error is.
    """

    def stopped(*_: object) -> None:
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt:
            raise OSError("no such worker")  # noqa: B904 - as code that knows nothing of it raises

    monkeypatch.setattr("innage.commands.sessions.open_reading", stopped)
    done = CliRunner().invoke(app, ["show", "abc"])
    assert (done.exit_code, done.stderr) == (130, "innage: interrupted\n")

    def broken(*_: object) -> None:
        raise OSError("a fault")

    monkeypatch.setattr("innage.commands.sessions.open_reading", broken)
    assert isinstance(CliRunner().invoke(app, ["show", "abc"]).exception, OSError)


@pytest.mark.longer
def test_lists_and_plans_load_no_mapper(tmp_path: Path) -> None:
    """They take less than twice as long as its import alone."""
    pinned = Path(__file__).parents[1] / "data" / "stores" / f"{REVISIONS[-1]}.db"
    store = shutil.copy(pinned, tmp_path / "innage.db")
    script = """
import json, sys
from typer.testing import CliRunner
from innage.cli import app
lines = ["limits list", "models", "gaps", "plan", "sessions", "sessions --json"]
session = None
for line in [*lines, "show"]:
    words = line.split() + ([session] if line == "show" else [])
    done = CliRunner().invoke(app, [*words, "--store", sys.argv[1]], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    if line == "sessions --json":
        session = json.loads(done.stdout)[0]["id"]
    assert "sqlalchemy" not in sys.modules, line
assert not {*sys.argv[2:]} & {*sys.modules}
"""
    subprocess.run([sys.executable, "-P", "-c", script, str(store), *OF_THE_SERVICE], check=True)
