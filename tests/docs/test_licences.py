"""The page of licences lists what is installed, as its metadata states it."""

from __future__ import annotations

import importlib.util
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
spec = importlib.util.spec_from_file_location("make_licences", ROOT / "docs" / "make_licences.py")
assert spec is not None
assert spec.loader is not None
make = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make)


PINNED = dict(
    line.split("==") for line in (ROOT / "constraints.txt").read_text().splitlines() if "==" in line
)


@pytest.mark.skipif(
    any(version(name) != PINNED[name] for name in ("numpy", "onnx", "SQLAlchemy")),
    reason="the page is of the versions of constraints.txt; others state and need others",
)
def test_the_page_is_not_stale() -> None:
    """Every package that is installed here has the row that would be written now; other Pythons and systems
    may need fewer.
    """
    rows = set((ROOT / "docs" / "licences.md").read_text().splitlines())
    now = [row for row in make.page().splitlines() if row.startswith("| ")]
    assert len(now) > 30
    assert [row for row in now if row not in rows] == []


def test_every_dependency_has_a_row() -> None:
    """What pyproject.toml asks for is there, and marked as asked for directly."""
    asked = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    direct = [
        row.split(" | ")[0].removeprefix("| ")
        for row in (ROOT / "docs" / "licences.md").read_text().splitlines()
        if row.endswith("| yes |")
    ]
    assert sorted(canonicalize_name(Requirement(line).name) for line in asked) == direct
