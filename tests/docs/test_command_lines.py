"""Every command line that README and the pages show can be called so: its words are read by the command
itself, which is then not run.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from calling import refusal

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted(p for p in (ROOT / "docs").glob("*.md") if p.name != "commands.md")]
WRONG = ("innage modles", "innage plan --band 5")  # shown to be answered


def command_lines(page: Path) -> list[str]:
    """Lines of code that begin with the command, those that go on after a backslash joined; what stands
    behind a pipe or a sign of output is left out.
    """
    text = re.sub(r"\\\n\s*", " ", page.read_text(encoding="utf-8"))
    found = [re.match(r"(?:    |\$ |    \$ )(innage [^|>]+)", line) for line in text.splitlines()]
    return [match.group(1) for match in found if match]


@pytest.mark.longer
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
