"""Options of before are answered with today's spelling, which is there, and stand in no help."""

from __future__ import annotations

import re

import pytest
from typer.testing import CliRunner

from calling import options_of
from innage.cli import app
from innage.moved import MOVED

ROWS = [(words, option, today) for words, moved in MOVED.items() for option, today in moved.items()]


@pytest.mark.parametrize(("words", "option", "today"), ROWS, ids=[f"{row[0]} {row[1]}" for row in ROWS])
def test_an_option_of_before_is_answered_with_todays(words: str, option: str, today: str) -> None:
    """One sentence that names today's option or command, which knows every option that the sentence has."""
    said = CliRunner().invoke(app, [*words.split(), option, "x"])
    assert said.exit_code == 2
    assert said.stderr == (
        f"innage: innage {words} {option}: an option of before; expected {today}, as it is spelled today\n"
    )
    assert option not in options_of(words)
    command = re.sub(r"^'innage ([a-z ]+[a-z]).*", r"\1", today) if today.startswith("'") else words
    assert set(re.findall(r"--[a-z0-9-]+", today)) <= options_of(command)


def test_another_unknown_option_is_answered_as_ever() -> None:
    said = CliRunner().invoke(app, ["log", "x.csv", "--air-densiti", "1"])
    assert said.exit_code == 2
    assert "No such option: --air-densiti" in said.stderr
