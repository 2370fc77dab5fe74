"""Digits of other scripts (Unicode: general category Nd), which Python's int() and float() read, are refused
where a number is wanted, in options as in files: who pasted them may not know what they are taken for.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from dataset.admission.session_files import read_file
from dataset.errors import InputError
from dataset.labels.conditions import read_conditions
from dataset.records import ColumnMapping, CountLaw, Pad, Sensor, Tank
from dataset.values import plain_float
from innage.cli import app

WIDE, ARABIC = "\uff11\uff12", "\u0663"  # fullwidth 12, Arabic-Indic 3
SENSOR = Sensor("s", 1, (Pad(0, "c", 0.0, 10.0),), 16, CountLaw.RISES, 100)
BUDGET = [
    "--core",
    "cortex-m3",
    "--flash-bytes",
    "1",
    "--ram-bytes",
    "1",
    "--stack-bytes",
    "1",
    "--cycles",
    "1",
]


def refused(*words: str) -> str:
    """What a command that ends with exit code 2 says."""
    result = CliRunner().invoke(app, list(words))
    assert result.exit_code == 2, result.output
    return result.output


@pytest.mark.parametrize("digits", [WIDE, ARABIC])
def test_python_reads_them(digits: str) -> None:
    """Which is why they must be looked for."""
    assert int(digits) in {3, 12}
    with pytest.raises(ValueError, match="no plain number"):
        plain_float(digits)


@pytest.mark.parametrize("digits", [WIDE, ARABIC])
def test_counts_and_times_in_files(tmp_path: Path, digits: str) -> None:
    """A count and a time, named by line and column."""
    path = tmp_path / "a.csv"
    for text, line in ((f"t,c\n0,{digits}\n100,5\n", 2), (f"t,c\n0,1\n{digits},5\n", 3)):
        path.write_text(text, "utf-8")
        with pytest.raises(InputError, match=f"line {line}, column .*{digits}.*expected a number"):
            read_file(path, ColumnMapping("m", ("c",), "t"), SENSOR, Tank("can", 1, 100.0))


@pytest.mark.parametrize("digits", [WIDE, ARABIC])
def test_options(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, digits: str) -> None:
    """Whole numbers, others, behind an equals sign, within a text, and in a group of commands."""
    monkeypatch.chdir(tmp_path)
    assert "digits 0 to 9" in refused("budget", "add", "b", *BUDGET, "--wait-states", digits)
    assert "digits 0 to 9" in refused("tank", "add", "t", f"--span-mm={digits}")
    assert "digits 0 to 9" in refused("plan", "--limits", "l", "--band-pct", digits)
    assert "--roles" in refused("freeze", "f", "--group", "unit", "--roles", f"fit:{digits},prove")
    assert "--row" in refused("limits", "add", "l", "--row", f"rmse_mm<={digits}")
    assert "--cylinder-mm" in refused("tank", "add", "t", "--cylinder-mm", f"{digits}x10")
    assert CliRunner().invoke(app, ["unit", "add", "u", "--note", digits]).exit_code == 0


def test_conditions() -> None:
    """Heights and angles within a text."""
    for text in (f"surface=foam:{ARABIC}-20", f"tilt={ARABIC}:1"):
        with pytest.raises(InputError):
            read_conditions("condition", text)
