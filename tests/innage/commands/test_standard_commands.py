"""``innage standard``: kept, charted, drawn, and what wrong uses are told."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from building import put
from calling import refused_line, run, run_json
from dataset.store import Store
from innage.cli import app

SENSOR = "sensor add one --pad p:0:50 --pad q:50:50 --count-bits 16 --count-law rises --period-ms 100"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with a sensor whose counts have two decimals."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(path))
        with Store.open(path) as store:
            put(store)
        run(*SENSOR.split(), "--count-scale", "10")
    return path.read_bytes()


@pytest.mark.usefixtures("store")
def test_measured_charted_and_drawn(tmp_path: Path) -> None:
    """Counts are those of the board, whatever the store's steps are."""
    run(*["standard", "add", "glass", "--kind", "block", "--sensor", "one", "--note", "green"])
    assert "nothing measured yet" in run("standard", "chart", "glass")
    for day, count in enumerate((100.1, 100.3, 100.1, 100.3, 100.1), start=1):
        said = run("standard", "measure", "glass", "--counts", f"{count},7", "--date", f"2026-03-0{day}")
        assert said.count("no limits before 5 measurements") == (day < 5)  # once, not for each pad
    said = run("standard", "measure", "glass", "--counts", "109.9,7", "--date", "2026-03-06")
    assert "109.9 out" in said  # though it is of the baseline, and widens the limits
    said = run("standard", "chart", "glass", "--baseline", "5", "--out", tmp_path / "c.svg")
    assert "109.9 out" in said
    assert "out of its limits on 2026-03-06; no session is of that day" in said
    assert (tmp_path / "c.svg").read_bytes().startswith(b"<?xml")
    shown = run_json("standard", "list")
    assert [(s["name"], s["kind"], s["note"]) for s in shown] == [("glass", "block", "green")]


@pytest.mark.usefixtures("store")
def test_as_json() -> None:
    run(*["standard", "add", "fill", "--kind", "fill", "--sensor", "one"])
    for day in range(1, 7):
        run("standard", "measure", "fill", "--counts", f"{100 + day % 2},7", "--date", f"2026-03-0{day}")

    result = CliRunner().invoke(app, ["standard", "chart", "fill", "--json"])
    assert result.exit_code == 0
    assert '"centre": 100.5' in result.stdout
    assert '"sd": 0.88' in result.stdout


@pytest.mark.usefixtures("store")
def test_wrong_uses_are_told() -> None:
    assert "no check standards yet" in run("standard", "list")
    assert "innage standard add" in refused_line("standard measure glass --counts 1,2")
    run(*["standard", "add", "glass", "--kind", "block", "--sensor", "one"])
    assert "exists already" in refused_line("standard add glass --kind fill --sensor one")
    assert "numbers with commas" in refused_line("standard measure glass --counts 1;2")
    assert "1 counts" in refused_line("standard measure glass --counts 1")
    assert "--baseline" in refused_line("standard chart glass --baseline 2")
    assert "YYYY-MM-DD" in refused_line("standard measure glass --counts 1,2 --date today")
