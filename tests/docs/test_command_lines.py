"""Every command line that README and the pages show can be called so: its words are read by the command
itself, which is then not run.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.main import get_command

from innage.cli import app

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted(p for p in (ROOT / "docs").glob("*.md") if p.name != "commands.md")]
FACE = get_command(app)
WRONG = ("innage modles",)  # shown to be answered


def command_lines(page: Path) -> list[str]:
    """Lines of code that begin with the command, those that go on after a backslash joined; what stands
    behind a pipe or a sign of output is left out.
    """
    text = re.sub(r"\\\n\s*", " ", page.read_text(encoding="utf-8"))
    found = [re.match(r"(?:    |\$ |    \$ )(innage [^|>]+)", line) for line in text.splitlines()]
    return [match.group(1) for match in found if match]


def refusal(line: str) -> str | None:
    """What is wrong with a line: read as the command line reads it, down to the last subcommand, without
    running it.
    """
    words, command, context = shlex.split(line, comments=True)[1:], FACE, None
    while True:
        try:
            context = command.make_context(command.name or "innage", list(words), parent=context)
        except Exception as error:  # every refusal of the parser, and its way to say that help was asked for
            return None if type(error).__name__ in ("Exit", "NoArgsIsHelpError") else f"{line}: {error}"
        if not hasattr(command, "get_command"):
            return None
        words = [*context._protected_args, *context.args]
        if not words and getattr(command, "invoke_without_command", False):
            return None
        below = command.get_command(context, words[0])
        if below is None:
            return f"{line}: no command {words[0]}"
        command, words = below, words[1:]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_command_lines_can_be_called(page: Path) -> None:
    """Options, their kinds and required words are those of today."""
    assert [
        found
        for line in command_lines(page)
        if "..." not in line and line not in WRONG and (found := refusal(line))
    ] == []


def test_a_wrong_line_is_seen() -> None:
    """An unknown command, subcommand, option or kind of value is found, so silence means something."""
    for line in (
        "innage logg",
        "innage tank ad x",
        "innage freeze a --grup unit",
        "innage train x --name y --seed soon",
    ):
        assert refusal(line) is not None
    assert sum(len(command_lines(page)) for page in PAGES) > 60
