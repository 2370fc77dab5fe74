"""Runs the blocks of a page: each command as it stands there, its exit code, and what the page shows under
it.
"""

from __future__ import annotations

import glob
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from typer.testing import CliRunner

from innage.cli import app

ROOT = Path(__file__).parents[2]
OTHERS = ("mkdir", "cc", "./harness", "awk", "cut", "my-logger")  # what pages call besides innage


@dataclass
class Step:
    """A command of a page, and the lines that the page shows under it."""

    line: str
    shown: list[str] = field(default_factory=list)

    @property
    def code(self) -> int:
        """2 where the page shows a refusal."""
        return 2 if any(line.startswith(("innage: ", "Error: ")) for line in self.shown) else 0


def steps_of(text: str) -> list[Step]:
    """The commands of a page's indented blocks in order; a block that begins with anything else is no command
    line.
    """
    steps: list[Step] = []
    for block in re.findall(
        r"(?:^    .*\n(?:\n(?=    ))*)+", re.sub(r"\\\n\s*", " ", text + "\n"), re.MULTILINE
    ):
        lines = [line[4:] for line in block.splitlines()]
        if not _is_command(lines[0]):
            continue
        for line in lines:
            if _is_command(line):
                steps.append(Step(line.removeprefix("$ ")))
            else:
                steps[-1].shown.append(line)
    return steps


def _is_command(line: str) -> bool:
    return line.removeprefix("$ ").split(" ")[0] in ("innage", *OTHERS)


def plain(text: str) -> str:
    """Without rules, and with single blanks."""
    return " ".join(re.sub("─+", "", text).split())


Run = Callable[..., dict[str, str]]


@pytest.fixture
def run_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run all commands of a page in a folder of the test's own, or those that ``only`` says yes to; what each
    printed.

    ``swap``: words to put in place of the page's; ``shown``: whether the page's lines have to be among what
        is printed.
    """
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("INNAGE_STORE", raising=False)

    def run(
        name: str,
        swap: dict[str, str] | None = None,
        only: Callable[[str], bool] = lambda line: True,
        shown: bool = True,
    ) -> dict[str, str]:
        printed: dict[str, str] = {}
        for step in steps_of((ROOT / name).read_text(encoding="utf-8")):
            if not only(step.line):
                continue
            line = step.line
            for old, new in (swap or {}).items():
                line = line.replace(old, new)
            code, output = execute(line)
            assert code == step.code, (line, output)
            for expected in step.shown if shown else ():
                assert plain(expected).removesuffix("(...)").removesuffix("...") in plain(output), (
                    line,
                    expected,
                    output,
                )
            printed[step.line] = output
        assert printed, name
        return printed

    return run


@pytest.fixture
def run_line() -> Callable[[str], tuple[int, str]]:
    """Run one line as pages have them: exit code, and all that was printed."""
    return execute


def execute(line: str) -> tuple[int, str]:
    """Run one line as a shell would, without one: comments, stars, one ``<`` or ``>``, and pipes, whose parts
    are processes of their own.
    """
    if " | " in line:
        code, output = 0, ""
        for part in line.split(" | "):
            words = shlex.split(part, comments=True)
            words = [sys.executable, "-P", "-m", *words] if words[0] == "innage" else words
            ran = subprocess.run(
                words, input=output, capture_output=True, text=True, check=False, timeout=120
            )
            code, output = max(code, ran.returncode), ran.stdout + ran.stderr * (ran.returncode != 0)
        return code, output
    words = shlex.split(line, comments=True)
    given = words[words.index("<") + 1] if "<" in words else None
    out = words[words.index(">") + 1] if ">" in words else None
    words = [
        w for k, w in enumerate(words) if w not in ("<", ">") and (k == 0 or words[k - 1] not in ("<", ">"))
    ]
    words = [path for word in words for path in (sorted(glob.glob(word)) if "*" in word else [word])]
    stdin = "" if given is None else Path(given).read_text(encoding="utf-8")
    if words[0] == "innage":
        done = CliRunner().invoke(app, words[1:], input=stdin)
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        code, stdout, output = done.exit_code, done.stdout, done.output
    else:
        ran = subprocess.run(words, input=stdin, capture_output=True, text=True, check=False, timeout=120)
        code, stdout, output = ran.returncode, ran.stdout, ran.stdout + ran.stderr
    if out is not None:
        Path(out).write_text(stdout, encoding="utf-8")
    return code, output
