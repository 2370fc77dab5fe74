"""A store of one's own for each test, and commands that must be refused."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer.main
import typer.testing
from typer.testing import CliRunner

from innage.cli import app, main
from innage.exit_codes import NOT_ENOUGH_EVIDENCE, SAID_NO
from released import Released, make


@pytest.fixture(scope="session", autouse=True)
def _commands_built_once() -> Iterator[None]:
    """The tree of some seventy commands is the same at each call; building it anew took two thirds of these
    tests' time.
    """
    with pytest.MonkeyPatch.context() as patch:
        built = cache(typer.main.get_command)
        patch.setattr(typer.main, "get_command", built)
        patch.setattr(typer.testing, "_get_command", built)
        yield


@pytest.fixture(scope="session", autouse=True)
def _json_is_as_documented() -> Iterator[None]:
    """Whatever these tests have printed with --json is held against docs/json.md."""
    spec = importlib.util.spec_from_file_location(
        "json_documents", Path(__file__).with_name("json_documents.py")
    )
    assert spec is not None
    assert spec.loader is not None
    documents = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(documents)
    invoke = CliRunner.invoke

    def checked(runner: CliRunner, cli: Any, args: Any = None, *more: Any, **named: Any) -> Any:
        result = invoke(runner, cli, args, *more, **named)
        words = [str(word) for word in args or []]
        asked = cli is app and "--json" in words and "--help" not in words
        if asked and result.exit_code in (0, SAID_NO, NOT_ENOUGH_EVIDENCE) and result.stdout.strip():
            documents.checked(words, result.stdout, refused=result.exit_code != 0)
        return result

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(CliRunner, "invoke", checked)
        yield


@pytest.fixture(scope="session")
def released(tmp_path_factory: pytest.TempPathFactory) -> Released:
    """A store with models that could be let out, and their bundles."""
    return make(tmp_path_factory.mktemp("released"))


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: bytes) -> Path:
    """A copy of the module's store ``bench``, and the one that commands take."""
    path = tmp_path / "innage.db"
    path.write_bytes(bench)
    monkeypatch.setenv("INNAGE_STORE", str(path))
    return path


@pytest.fixture
def refused(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Run a command that must be refused with exit code 2; its one sentence, which is all that is printed."""

    def run(*words: object) -> str:
        monkeypatch.setattr(sys, "argv", ["innage", *(str(w) for w in words)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        assert ended.value.code == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.count("\n") == 1
        return err

    return run
