"""The changelog keeps its form (keepachangelog.com, 1.1.0), so that people and programs find a version."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
KINDS = ("Added", "Changed", "Deprecated", "Removed", "Fixed", "Security")


def test_versions_stand_newest_first_with_their_dates() -> None:
    """What is not released comes before them; the version of pyproject.toml is the newest, or comes next."""
    first, *released = re.findall(r"^## (.+)$", TEXT, re.MULTILINE)
    assert first == "[Unreleased]"
    dated = [re.fullmatch(r"\[(\d+)\.(\d+)\.(\d+)\] - (\d{4}-\d\d-\d\d)", heading) for heading in released]
    assert None not in dated
    order = [(*map(int, version.groups()[:3]), version.group(4)) for version in dated if version]
    assert order == sorted(order, reverse=True) != []
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    assert tuple(map(int, stated.split("."))) >= order[0][:3]


def test_what_is_not_released_stands_under_its_kind() -> None:
    """Each kind once, in the form's order, none of them empty."""
    unreleased = re.split(r"^## ", TEXT, flags=re.MULTILINE)[1]
    before, *parts = re.split(r"^### ", unreleased, flags=re.MULTILINE)
    kinds = [part.partition("\n")[0] for part in parts]
    assert before.strip() == "[Unreleased]"
    assert kinds == [kind for kind in KINDS if kind in kinds]
    assert all(part.partition("\n")[2].strip().startswith("- ") for part in parts)
