"""docs/python.md: every public name is in it, and its blocks print what stands under them."""

from __future__ import annotations

import re
import subprocess
import sys
import textwrap
from importlib import resources
from pathlib import Path

import pytest

import innage

PAGE = Path(__file__).parents[2] / "docs" / "python.md"
BLOCK = re.compile(r"```python\n(.*?)```\n(?:\n((?:    [^\n]*\n|\n)+))?", re.DOTALL)
MARK = "-- end of block --"


def test_every_public_name_is_in_it() -> None:
    listed = set(re.findall(r"`(\w+)`", PAGE.read_text("utf-8").partition("## Everything")[2]))
    assert listed == set(innage.__all__)


@pytest.mark.slow
def test_blocks_print_what_stands_under_them(tmp_path: Path) -> None:
    """One after the other in a process of their own."""
    (tmp_path / "levels_tidy.csv").write_bytes(
        (resources.files("innage.demo_data") / "levels_tidy.csv").read_bytes()
    )
    blocks = BLOCK.findall(PAGE.read_text("utf-8"))
    assert len(blocks) == 9
    script = tmp_path / "page.py"
    script.write_text("\n".join(f"{code}\nprint({MARK!r})" for code, _ in blocks), "utf-8")
    done = subprocess.run(
        [sys.executable, "-P", str(script)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    for (code, shown), printed in zip(blocks, done.stdout.split(MARK), strict=False):
        assert _plain(printed) == _plain(textwrap.dedent(shown)), code


def _plain(text: str) -> list[str]:
    return [line.rstrip() for line in text.strip("\n").splitlines()]
