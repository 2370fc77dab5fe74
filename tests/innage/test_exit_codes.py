"""The exit codes that no single command's tests hold."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
from pathlib import Path

import pytest

from innage import cli
from innage.exit_codes import of_limits
from training.judging.figures import AnsweredLimit

FAILING = """
import sys
from dataset.errors import InputError
from dataset.store import Store
from innage.cli import main

def broken(path):
    raise ERROR

Store.open = broken
sys.argv = ["innage", "sessions"]
main()
"""


def run(folder: Path, code: str) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if name != "INNAGE_STORE"}
    return subprocess.run(
        [sys.executable, "-P", "-c", code],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


def test_what_nobody_expected_keeps_its_traceback_and_ends_with_70(tmp_path: Path) -> None:
    """70 is EX_SOFTWARE, an internal software error (sysexits.h of BSD)."""
    done = run(tmp_path, FAILING.replace("ERROR", "ZeroDivisionError('nobody expected this')"))
    assert done.returncode == 70, done.stderr
    assert done.stderr.startswith("Traceback (most recent call last):")
    assert done.stderr.rstrip().endswith("ZeroDivisionError: nobody expected this")


def answered(answer: str) -> AnsweredLimit:
    return AnsweredLimit("rmse_mm", "all", 1.0, None, 1, None, answer, "")


def test_what_was_expected_ends_with_2(tmp_path: Path) -> None:
    done = run(tmp_path, FAILING.replace("ERROR", "InputError('here', 'this', 'that')"))
    assert (done.returncode, "Traceback" in done.stderr) == (2, False), done.stderr


@pytest.mark.parametrize(
    ("answers", "code"),
    [
        (["met", "met"], 0),
        (["met", "not met", "not enough evidence"], 1),
        (["met", "not enough evidence"], 3),
        ([], 3),
    ],
)
def test_answers_to_limits_have_a_code(answers: list[str], code: int) -> None:
    """What says no goes before what lacks evidence; no limits are no evidence."""
    assert of_limits([answered(answer) for answer in answers]) == code


def test_who_calls_main_finds_the_collector_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    """Garbage is looked for more rarely while a command runs, and as before once it has ended."""
    before, during = gc.get_threshold(), list[tuple[int, ...]]()
    monkeypatch.setattr(cli, "app", lambda: during.append(gc.get_threshold()))
    cli.main()
    assert during[0][0] > before[0]
    assert gc.get_threshold() == before
