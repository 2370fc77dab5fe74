"""pyproject.toml says of each package from which version on it works; ``make lowest`` installs just these."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LISTS = {
    name: [Requirement(line) for line in lines]
    for name, lines in {"dependencies": PROJECT["dependencies"], **PROJECT["optional-dependencies"]}.items()
}
ASKED = sorted({requirement.name for asked in LISTS.values() for requirement in asked})
PINNED = {
    canonicalize_name(name): version
    for name, _, version in (
        line.partition("==")
        for line in (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
        if not line.startswith("#")
    )
}


@pytest.mark.parametrize("name", ASKED)
def test_a_package_has_one_range_from_a_lowest_version_on(name: str) -> None:
    """The same in each list, since one environment holds several; what was tested together lies in it."""
    (asked,) = {
        requirement.specifier
        for all_of in LISTS.values()
        for requirement in all_of
        if requirement.name == name
    }
    assert [end.operator for end in asked if end.operator not in {"<", "!="}] == [">="]
    assert asked.contains(PINNED[canonicalize_name(name)])


@pytest.mark.parametrize("extra", ["cluster", "postgres", "service"])
def test_tests_have_what_an_extra_brings(extra: str) -> None:
    """So ``make lowest`` asks for one list beside the dependencies."""
    assert {str(asked) for asked in LISTS[extra]} <= {str(asked) for asked in LISTS["test"]}
