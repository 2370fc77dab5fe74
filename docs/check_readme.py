"""Holds what README shows under the demo's commands against what a demo printed.

python docs/check_readme.py DEMO.TXT: says each line that the demo did not print, exit code 1.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass, field
from pathlib import Path

README = Path(__file__).parents[1] / "README.md"


@dataclass
class Block:
    """A command that README shows, and the lines shown under it or under the next commands of its block."""

    command: str
    shown: list[str] = field(default_factory=list)


def blocks(readme: str) -> list[Block]:
    """The commands of README's job in order, with the lines shown."""
    _, _, job = readme.partition("## The job, command by command")
    found: list[Block] = []
    for line in job.partition("\n## ")[0].splitlines():
        if line.startswith("    innage "):
            found.append(Block(line.strip()))
        elif line.startswith("    ") and line.strip():
            found[-1].shown.append(line.strip())
    return found


def plain(text: str) -> str:
    """Without rules, and with single blanks."""
    return " ".join(re.sub("─+", "", text).split())


def missing(readme: str, printed: str) -> list[str]:
    """Each line that README shows and the demo did not print, with its command; '(...)' ends a line early."""
    parts = dict(part.split("\n", 1) for part in ("\n" + printed).split("\n$ ")[1:])
    faults = []
    for block in blocks(readme):
        if block.command not in parts:
            faults.append(f"{block.command}: not in the demo")
            continue
        output = plain(parts[block.command])
        for line in block.shown:
            expected = plain(line).removesuffix("(...)").strip()
            if expected not in output:
                faults.append(f"{block.command}: {expected}")
    return faults


if __name__ == "__main__":
    lacking = missing(README.read_text(encoding="utf-8"), Path(sys.argv[1]).read_text(encoding="utf-8"))
    print(*(lacking or ["README shows what the demo printed"]), sep="\n")
    sys.exit(bool(lacking))
