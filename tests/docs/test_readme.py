"""README's job is the demo's: its commands, in order. What it shows under them is held against what a demo
printed by ``docs/check_readme.py``, which `make readme` calls, since a demo takes minutes.
"""

from __future__ import annotations

import importlib.util
import shlex
import sys
from pathlib import Path
from types import ModuleType

import pytest

from innage.jobs.demo import RIG_STEPS

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def checker() -> ModuleType:
    """``docs/check_readme.py`` as a module."""
    spec = importlib.util.spec_from_file_location("check_readme", ROOT / "docs" / "check_readme.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # a dataclass looks for its module there
    spec.loader.exec_module(module)
    return module


def test_commands_are_the_demos(checker: ModuleType) -> None:
    """A command that README shows is one of the demo's, in the demo's order."""
    demo = iter([shlex.split(line.removeprefix("!")) for line in RIG_STEPS.strip().splitlines()])
    shown = [
        shlex.split(block.command)[1:] for block in checker.blocks((ROOT / "README.md").read_text("utf-8"))
    ]
    assert len(shown) > 8
    for words in shown:
        assert words in demo, words  # 'in' takes the iterator on to where it was found


def test_checker_tells_a_line_that_was_not_printed(checker: ModuleType) -> None:
    """The figure of another run, and a command that the demo did not run."""
    shown = "    innage train a\n\n    figure  rmse 1.5 mm (...)\n    from     2 groups\n"
    page = f"## The job, command by command\n\n{shown}\n## x"
    printed = "$ innage train a\nfigure rmse 1.5 mm on it\nfrom\n2 groups\n\n$ innage gaps\nrmse 1.6\n"
    assert checker.missing(page, printed) == []
    assert checker.missing(page, printed.replace("1.5", "1.4")) == ["innage train a: figure rmse 1.5 mm"]
    assert checker.missing(page, printed.replace("train a", "train b")) == ["innage train a: not in the demo"]
