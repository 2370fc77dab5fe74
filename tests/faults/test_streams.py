"""Standard streams that are closed, full, of another encoding or left by their reader, and names of files
that would do something to a terminal: one sentence at most, an exit code that says what it was, never a
traceback.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import IO

import pytest

from calling import run
from innage.cli import main

INNAGE = (sys.executable, "-P", "-c", "from innage.cli import main; main()")
ASCII = {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
FULL = Path("/dev/full")
pytestmark = pytest.mark.skipif(os.name != "posix", reason="descriptors and devices as POSIX has them")


def innage(
    folder: Path,
    *arguments: str,
    closed: tuple[int, ...] = (),
    stdout: int | IO[str] = subprocess.PIPE,
    extra: dict[str, str] | None = None,
) -> subprocess.CompletedProcess[str]:
    """The command in ``folder`` as a process of its own, some of its streams closed before it starts."""

    def close() -> None:
        for number in closed:
            os.close(number)

    return subprocess.run(
        [*INNAGE, *arguments],
        cwd=folder,
        env=os.environ | (extra or {}),
        stdin=subprocess.DEVNULL,
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        preexec_fn=close if closed else None,
        timeout=120,
        check=False,
    )


@pytest.fixture(scope="module")
def liquid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store that holds a liquid whose note no ASCII has; its tests only read it."""
    folder = tmp_path_factory.mktemp("liquid")
    run("liquid", "add", "lye", "--note", "5 \u00b0C, \u4e2d", "--store", folder / "innage.db")
    return folder


@pytest.mark.longer
def test_an_output_in_ascii_gets_escapes(liquid: Path) -> None:
    """A table and JSON in an encoding that lacks a character; the JSON says the same."""
    shown = innage(liquid, "liquid", "show", "lye", extra=ASCII)
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "5 \\xb0C, \\u4e2d" in shown.stdout
    told = innage(liquid, "liquid", "show", "lye", "--json", extra=ASCII)
    assert json.loads(told.stdout)["note"] == "5 \u00b0C, \u4e2d"


def test_a_closed_output_is_refused_before_anything_is_done(tmp_path: Path) -> None:
    """Nothing is begun: a file that is opened later would get the number of the stream."""
    ended = innage(tmp_path, "unit", "add", "u", closed=(1,))
    assert ended.returncode == 2
    assert ended.stderr == (
        "innage: standard output: closed; expected a place to print to. '> /dev/null' prints nowhere\n"
    )
    assert not (tmp_path / "innage.db").exists()


@pytest.mark.longer
def test_a_closed_input_is_an_empty_one(tmp_path: Path) -> None:
    """What is read from standard input then has no line."""
    assert innage(tmp_path, "unit", "add", "u", closed=(0,)).returncode == 0
    ended = innage(tmp_path, "text", "read", "none", closed=(0, 2))
    assert (ended.returncode, ended.stdout) == (2, "")


@pytest.mark.longer
@pytest.mark.skipif(not FULL.exists(), reason="a device that is always full is Linux's")
@pytest.mark.parametrize("arguments", [("--help",), ("liquid", "list"), ("liquid", "list", "--json")])
def test_a_full_output_is_one_sentence(liquid: Path, arguments: tuple[str, ...]) -> None:
    """Exit code 1: 2 would say that nothing was done."""
    with FULL.open("w") as full:
        ended = innage(liquid, *arguments, stdout=full)
    assert ended.returncode == 1
    assert ended.stderr.count("\n") == 1
    assert ended.stderr.startswith("innage: standard output: cannot be written (No space left on device)")


def test_a_reader_that_went_away_is_no_fault(liquid: Path) -> None:
    """141, as a shell has it of what SIGPIPE ends, and no word."""
    reading, writing = os.pipe()
    os.close(reading)
    ended = innage(liquid, "--help", stdout=writing)
    os.close(writing)
    assert (ended.returncode, ended.stderr) == (141, "")


def _names_a_file(name: str) -> tuple[str, ...]:
    return ("limits", "add", "l", "--from", name)


def _is_no_command(name: str) -> tuple[str, ...]:
    return (f"x{name}",)


def _is_no_option(name: str) -> tuple[str, ...]:
    return ("sessions", f"--{name}")


@pytest.mark.parametrize("said", [_names_a_file, _is_no_command, _is_no_option])
def test_what_would_move_the_cursor_is_escaped(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    said: Callable[[str], tuple[str, ...]],
) -> None:
    """ESC and the C1 control CSI (ECMA-48), and what turns the direction of writing (Bidi_Control)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", ["innage", *said("\x1b[2J\x9b31m\u202ebad")])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    out, err = capsys.readouterr()
    assert not {"\x1b", "\x9b", "\u202e"} & set(out + err)
    assert "bad" in err


def test_a_name_that_is_no_text_can_be_printed(tmp_path: Path) -> None:
    """Names of files are bytes; those that are no UTF-8 come as lone surrogates (PEP 383)."""
    ended = innage(tmp_path, *_names_a_file(os.fsdecode(b"\xff.toml")))
    assert ended.returncode == 2
    assert "\\udcff.toml: cannot be read" in ended.stderr
