"""The page of commands is what the commands print now, and a page for people names each of them."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

from innage.command_table import COMMANDS

ROOT = Path(__file__).parents[2]
spec = importlib.util.spec_from_file_location("make_commands", ROOT / "docs" / "make_commands.py")
assert spec is not None
assert spec.loader is not None
make = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make)


def test_the_page_of_commands_is_not_stale() -> None:
    """Written again it is the same; 'python docs/make_commands.py' brings it up to date."""
    assert (ROOT / "docs" / "commands.md").read_text(encoding="utf-8") == make.page()


def test_every_command_is_in_the_docs() -> None:
    """Besides that page, README or another one shows each command in use."""
    pages = [
        ROOT / "README.md",
        *(p for p in (ROOT / "docs").glob("*.md") if p.name not in ("commands.md", "json.md")),
    ]
    text = "\n".join(page.read_text(encoding="utf-8") for page in pages)
    assert [name for name in COMMANDS if f"innage {name}" not in text] == []


def test_links_between_pages_lead_somewhere() -> None:
    """Every relative link of README, DEVELOPERS and the pages names a file that is there."""
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")]
    lost = [
        (p.name, to)
        for p in pages
        for to in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", p.read_text(encoding="utf-8"))
        if not (p.parent / to).exists()
    ]
    assert lost == []
