"""The command of mutants on a package made up here: what survives is listed, and the floor says no."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = Path(__file__).with_name("mutants.py")
SETTINGS = """
[tool.pytest.ini_options]
addopts = ["--import-mode=importlib"]
markers = ["slow"]
"""
CODE = """
def add(left, right):
    return left + right


def larger(left, right):
    return left if left > right else right
"""
# a sum of these isn't their difference; the larger of two alike is the same for > and >=
TESTS = """
from sums.adding import add, larger


def test_add():
    assert add(2, 3) == 5


def test_larger():
    assert (larger(2, 1), larger(1, 2)) == (2, 2)
"""


@pytest.fixture
def planted(tmp_path: Path) -> Path:
    """A package of two functions and tests that notice all but one of their mutants."""
    for path, text in {
        "sums/__init__.py": "",
        "sums/adding.py": CODE,
        "tests/sums/test_adding.py": TESTS,
        "pyproject.toml": SETTINGS,
    }.items():
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_text(text)
    return tmp_path


def mutants(root: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", str(COMMAND), "--root", str(root), *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.slow
def test_survivors_are_listed_and_the_floor_holds(planted: Path) -> None:
    pytest.importorskip("mutmut", reason="needs the extra 'mutants'")
    done = mutants(planted, "--part", "sums", "--floor", "80")
    assert (done.returncode, done.stderr) == (1, "below the floor: sums\n")
    assert done.stdout.startswith("sums: 3 of 4 mutants noticed, 75.0 % (3 killed, 1 survived); floor 80 %")
    assert (planted / "mutants" / "sums.txt").read_text() == (
        "sums/adding.py larger (mutant 3)\n"
        "  -    return left if left > right else right\n"
        "  +    return left if left >= right else right\n"
    )
    assert mutants(planted, "--part", "sums", "--floor", "75").returncode == 0
    assert (
        " of 1 mutants noticed" in mutants(planted, "--part", "sums", "--sample", "1", "--seed", "0").stdout
    )


@pytest.mark.slow
def test_failing_tests_are_no_figure(planted: Path) -> None:
    """Tests that fail on the code as it is would notice every mutant."""
    pytest.importorskip("mutmut", reason="needs the extra 'mutants'")
    (planted / "sums" / "adding.py").write_text(CODE.replace("+", "-"))
    done = mutants(planted, "--part", "sums")
    assert (done.returncode, done.stdout) == (2, "")
    assert "no mutants to try" in done.stderr
    assert "assert -1 == 5" in done.stderr


@pytest.mark.parametrize("part", ["nothing", "tests", "../sums"])
def test_a_part_without_tests_is_refused(planted: Path, part: str) -> None:
    done = mutants(planted, "--part", part)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"{part} is no package with a folder of tests")


def test_a_sample_may_lie_below_the_floor_by_chance() -> None:
    """Of 100 mutants at a floor of 80 % chance takes 8 (two standard errors); of all of them none."""
    spec = importlib.util.spec_from_file_location("mutants", COMMAND)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # where a dataclass looks its types up
    try:
        spec.loader.exec_module(module)
    finally:
        del sys.modules[spec.name]
    for noticed, sampled, holds in [
        (72, True, True),
        (71, True, False),
        (80, False, True),
        (79, False, False),
    ]:
        statuses = {str(k): "killed" if k < noticed else "survived" for k in range(100)}
        assert module.Outcome(statuses, sampled).holds(80.0) is holds
