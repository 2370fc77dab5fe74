"""The job of one pad, run as its page has it; what the page shows is what the commands print."""

from __future__ import annotations

import platform
import re
import shlex
import shutil
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import innage
from innage.cli import app

PAGE = Path(__file__).parents[2] / "docs" / "one-pad.md"
AS_ON_PAGE = (
    sys.version_info[:2] == (3, 11) and platform.machine() == "x86_64"
)  # a bundle's report names both, so that its hash differs elsewhere
READINGS = Path(str(innage.__file__)).parent / "demo_data" / "levels_tidy.csv"


def steps(until: str) -> list[tuple[list[str], list[str]]]:
    """The commands of a block, in order, with the lines shown before the next block of commands; none
    from the one that begins ``until``.
    """
    text = PAGE.read_text(encoding="utf-8").split("## The job, command by command")[1].split("\n## ")[0]
    lines = [line[4:] for line in re.sub(r"\\\n\s*", " ", text).splitlines() if line.startswith("    ")]
    found: list[tuple[list[str], list[str]]] = []
    for line in lines:
        if line.startswith(until):
            break
        if line.startswith("innage "):
            found.append((shlex.split(line)[1:], []))
        else:
            found[-1][1].append(line)
    return found


def plain(text: str) -> str:
    """Without rules, and with single blanks."""
    return " ".join(re.sub("─+", "", text).split())


@pytest.mark.parametrize("until", ["innage train", pytest.param("nothing", marks=pytest.mark.slow)])
def test_the_job_is_as_shown(until: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command ends well; every line shown after some commands is among what these printed, up to
    '(...)'.
    """
    shutil.copy(READINGS, tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("INNAGE_STORE", raising=False)
    printed, shown = "", 0
    for words, lines in steps(until):
        done = CliRunner().invoke(app, words)
        assert done.exit_code == 0, (words, done.output, done.exception)
        printed += "\n" + done.output
        for line in lines:
            expected = plain(line).removesuffix("(...)").strip()
            if re.fullmatch("[0-9a-f]{12}", expected) and not AS_ON_PAGE:
                continue
            assert expected in plain(printed), (words, line)
            shown += bool(expected)
    assert shown > (2 if until == "innage train" else 40)
