"""``innage standard``: kept, charted, drawn, and what wrong uses are told."""

from __future__ import annotations

import json
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


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_measured_charted_and_drawn(tmp_path: Path) -> None:
    """Counts are those of the board, whatever the store's steps are."""
    run(*["standard", "add", "glass", "--kind", "block", "--sensor", "one", "--note", "green"])
    assert "nothing measured yet" in run("standard", "chart", "glass")
    for day, count in enumerate((100.1, 100.3, 100.1, 100.3, 100.1), start=1):
        said = run("standard", "measure", "glass", "--counts", f"{count},7", "--date", f"2026-03-0{day}")
        assert said.count("no limits before 5 days") == (day < 5)  # once, not for each pad
    said = run("standard", "measure", "glass", "--counts", "109.9,7", "--date", "2026-03-06")
    assert "109.9 out" in said  # though it is of the baseline, and widens the limits
    said = run("standard", "chart", "glass", "--baseline", "5", "--out", tmp_path / "c.svg")
    assert "109.9 out" in said
    assert "out of its limits on 2026-03-06; no session is of that day" in said
    drawn = (tmp_path / "c.svg").read_text("utf-8")
    assert drawn.startswith("<?xml")
    assert (
        "<!-- dashed: limits; they rest on the days before the dotted line; filled: out of limits -->"
        in drawn
    )
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


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_measured_from_a_board_and_from_a_session(tmp_path: Path) -> None:
    """Means of the lines that a board sends, or of the frames of a session, in the board's counts; on a day
    with several the mean and their spread.
    """
    run(*["standard", "add", "glass", "--kind", "block", "--sensor", "one"])
    lines = [f"{100 * k},{100 + k % 3 / 10:g},7,{21 + k % 2}" for k in range(60)]
    board = CliRunner().invoke(
        app,
        ["standard", "measure", "glass", "--port", "-", "--frames", "60", "--date", "2026-03-02", "--json"],
        input="\n".join([*lines, ""]),
    )
    assert board.exit_code == 0, board.stderr
    (measured,) = json.loads(board.stdout)["measurements"]
    assert measured["counts"] == pytest.approx([100.1, 7.0])
    assert (measured["frames"], measured["temperature_c"]) == (60, 21.5)
    (tmp_path / "run.csv").write_text("\n".join(["t_ms,p,q,warm", *lines, ""]), encoding="utf-8")
    run(*["tank", "add", "can", "--span-mm", "100"])
    run(*["liquid", "add", "none"])
    run(*["unit", "add", "u1"])
    run(*["mounting", "add", "m1", "--tank", "can", "--sensor", "one"])
    run(*["operator", "add", "ab"])
    when = "--start 2026-03-02T09:00+00:00 --operator ab --time t_ms --temperature warm"
    run(*f"log {tmp_path / 'run.csv'} --mounting m1 --unit u1 --liquid none {when}".split())
    (session,) = run_json("sessions")
    both = run_json("standard", "measure", "glass", "--session", session["id"])["measurements"]
    (again,) = [m for m in both if m["note"] == f"session {session['id']}"]
    assert (again["counts"], again["operator"]) == (pytest.approx([100.1, 7.0]), "ab")
    assert (again["date"], again["frames"]) == ("2026-03-02", 60)
    assert "2026-03-02 2 21.5 100.1, s 0" in " ".join(run("standard", "chart", "glass").split())
    run("standard", "chart", "glass", "--out", tmp_path / "c.svg")
    assert "<!-- standard deviation within a day -->" in (tmp_path / "c.svg").read_text("utf-8")
    assert "--counts and --session; expected one of them" in refused_line(
        f"standard measure glass --counts 1,2 --session {session['id']}"
    )


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_a_day_that_was_out_is_told_of_sessions_before(tmp_path: Path) -> None:
    """In what is shown, in the page and as a set is frozen."""
    run(*["standard", "add", "glass", "--kind", "block", "--sensor", "one"])
    run(*["tank", "add", "can", "--span-mm", "100"])
    run(*["liquid", "add", "water"])
    run(*["unit", "add", "u1"])
    run(*["mounting", "add", "m1", "--tank", "can", "--sensor", "one"])
    lines = [f"{100 * k},{100 + k % 3 + 50 * (k // 30)},{7 + k % 2},{10 * (k // 30)}" for k in range(60)]
    (tmp_path / "run.csv").write_text("\n".join(["t_ms,p,q,level", *lines, ""]), encoding="utf-8")
    when = "--start 2026-03-06T09:00+00:00 --time t_ms --level level"
    run(*f"log {tmp_path / 'run.csv'} --mounting m1 --unit u1 --liquid water {when}".split())
    (session,) = run_json("sessions")
    for day, count in enumerate([*[100.1, 100.3] * 10, 109.9]):
        date = f"2026-02-{day + 1:02d}" if day < 20 else "2026-03-06"
        run("standard", "measure", "glass", "--counts", f"{count},7", "--date", date)
    said = "was out of its limits on 2026-03-06"
    assert said in " ".join(run("show", session["id"]).split())
    assert said in run_json("show", session["id"])["warnings_since"][0]["sentence"]
    run("report", "session", session["id"], "--out", tmp_path / "page.html")
    assert said in (tmp_path / "page.html").read_text(encoding="utf-8")
    even_if = ("--even-if-warned", "tried")
    frozen = run("freeze", "set", "--group", "unit", "--fit", "u1", *even_if)
    assert f"warning: session {session['id']}, since it came in: check standard glass" in frozen
    (warned,) = run_json("frozen", "set")["warned_since"]
    assert warned["session"] == session["id"]


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


@pytest.mark.usefixtures("store")
def test_a_mistyped_measurement_is_void() -> None:
    """It leaves the chart, is listed below with the reason, and comes back; counts are those of the board."""
    run(*["standard", "add", "glass", "--kind", "block", "--sensor", "one"])
    run("standard", "measure", "glass", "--counts", "100.1,7", "--date", "2026-03-01")
    run("standard", "measure", "glass", "--counts", "1001,7", "--date", "2026-03-02")
    said = run("standard", "void", "glass", "2026-03-02", "--reason", "the point was left out")
    assert said == "check standard glass: the measurement of 2026-03-02 is void: the point was left out\n"
    chart = run_json("standard", "chart", "glass")
    assert chart["days"] == ["2026-03-01"]
    (left_out,) = chart["void_measurements"]
    assert (left_out["counts"], left_out["void"]) == ([1001.0, 7.0], "the point was left out")
    shown = " ".join(run("standard", "chart", "glass").split())
    assert f"2026-03-02 {left_out['sha256'][:12]} 1001, 7 the point was left out" in shown
    assert "void already" in refused_line("standard void glass 2026-03-02 --reason again")
    run(*["standard", "void", "glass", left_out["sha256"][:8], "--take-back", "--reason", "it was so"])
    assert run_json("standard", "chart", "glass")["days"] == ["2026-03-01", "2026-03-02"]
    assert "void, and left out" not in run("standard", "chart", "glass")
