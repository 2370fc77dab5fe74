"""Write docs/commands.md (``python docs/make_commands.py``): the help of every command, as it prints it at 80
columns.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from innage.cli import app
from innage.command_table import SECTIONS
from innage.lazy import load

PAGE = Path(__file__).with_name("commands.md")
HEAD = """# Commands

Made by `docs/make_commands.py` from the commands themselves: what `innage COMMAND --help` prints. How they behave on a terminal: [terminal.md](terminal.md);
what `--json` prints: [json.md](json.md).

"""  # noqa: E501 - a text as it is written out


def commands() -> Iterator[tuple[str, list[tuple[str, ...]]]]:
    """Sections of ``innage --help``, and the words of every command and subcommand in them."""
    for title, entries in SECTIONS.items():
        yield title, [words for name in entries for words in _with_subcommands((name,), load(name))]


def _with_subcommands(words: tuple[str, ...], command: Any) -> Iterator[tuple[str, ...]]:
    yield words
    for name, below in getattr(command, "commands", {}).items():
        yield from _with_subcommands((*words, name), below)


def page() -> str:
    """The whole page."""
    text = HEAD
    for title, listed in commands():
        text += f"## {title}\n\n"
        for words in listed:
            answer = CliRunner().invoke(
                app,
                [*words, "--help"],
                prog_name="innage",
                env=os.environ | {"COLUMNS": "80", "TERMINAL_WIDTH": "80", "NO_COLOR": "1"},
            )
            help_text = "\n".join(line.rstrip() for line in answer.stdout.strip().splitlines())
            text += f"### innage {' '.join(words)}\n\n```text\n{help_text}\n```\n\n"
    return text.rstrip() + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
