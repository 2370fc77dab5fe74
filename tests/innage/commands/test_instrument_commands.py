"""``innage instrument``, and ``--instrument`` where levels are stated."""

from __future__ import annotations

from pathlib import Path

import pytest

from building import put
from calling import refused_line, run, run_json
from dataset.records import Tank
from dataset.store import Store
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Cylinder

ADD = "instrument add s1 --kind scale --calibrated 2026-01-10 --uncertainty 0.8 --coverage 2 --resolution 0.1"


SENSOR = "sensor add one --pad p:0:100 --count-bits 16 --count-law rises --period-ms 100"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with a can whose volume is known."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(path))
        with Store.open(path) as store:
            put(store, Tank("can", 0, 100.0, profile=to_json(stack([Cylinder(100.0, 120.0)]))))
        run("liquid", "add", "water", "--density-kg-m3", 998.2, "--temperature-c", 20)
        run("unit", "add", "u1")
        run(*SENSOR.split())
        run("mounting", "add", "m1", "--tank", "can", "--sensor", "one")
    return path.read_bytes()


@pytest.fixture
def weighed(store: Path, tmp_path: Path) -> str:
    """The words that log a file of masses."""
    lines = [f"{k * 100},{1000 + k % 7 + 900 * (k // 40)},{400 * (k // 40)}" for k in range(80)]
    (tmp_path / "run.csv").write_text("t_ms,p,g\n" + "\n".join(lines) + "\n")
    return f"log {tmp_path / 'run.csv'} --mounting m1 --liquid water --unit u1 --time t_ms --mass g"


def test_an_instrument_in_labels_lists_and_warnings(weighed: str) -> None:
    run(*ADD.split(), "--interval-days", "100", "--serial", "0417", "--certificate", "C-7")
    start = "--start 2026-06-01T08:00+00:00 --instrument s1"
    (logged,) = run_json(*weighed.split(), *start.split())
    shown = run_json("show", logged["session"]["id"] if "session" in logged else logged["id"])
    mark = shown["marks"][-1]
    mm_of_a_gram = 1.00105 / (998.2 * 3.14159265 / 4 * 0.1**2)
    assert mark["u_common_mm"] == pytest.approx(0.4 * mm_of_a_gram, rel=1e-3)
    assert mark["u_mm"] == pytest.approx(0.05 / 3**0.5 * mm_of_a_gram, rel=1e-3)
    (warning,) = [w["sentence"] for w in shown["warnings"] if w["check"] == "instrument"]
    assert "of 2026-01-10, held until 2026-04-20; the session began later, on 2026-06-01" in warning
    (known,) = run_json("instrument", "list")
    assert known["sha256"] in shown["instruments"]
    assert known["standard_uncertainty"] == 0.4
    (calibration,) = run_json("instrument", "show", "s1")
    assert calibration["sessions"] == [shown["id"]]
    assert "0417" in run("instrument", "show", "s1")
    assert "2026-04-20" in run("instrument", "list")


def test_wrong_uses_are_told(weighed: str) -> None:
    assert "no instruments yet" in run("instrument", "list")
    run(*ADD.split())
    assert "calibrated on 2026-01-10 already" in refused_line(ADD)
    early = refused_line(f"{weighed} --instrument s1 --start 2026-01-01T08:00+00:00")
    assert "was first calibrated on 2026-01-10, and the session began on 2026-01-01" in early
    assert "innage instrument add" in early
    assert "instrument s2" in refused_line(f"{weighed} --instrument s2")
    other = ADD.replace("s1", "s2")
    run(*other.split())
    assert "--instrument" in refused_line(f"{weighed} --instrument s1 --instrument s2")
    assert run_json("sessions") == []


def test_marks_that_are_set_later(weighed: str, tmp_path: Path) -> None:
    """The calibration of a height gauge is common to all levels that were read with it."""
    gauge = "instrument add g1 --kind height-gauge --calibrated 2026-01-10 --uncertainty 0.06 --coverage 2"
    run(*gauge.split(), "--resolution", "0.02")
    run(*weighed.split())
    (session,) = run_json("sessions")
    (tmp_path / "marks.csv").write_text("from,to,level_mm\n0,39,10\n")
    why = ("--author", "ab", "--reason", "read again", "--instrument", "g1")
    said = run("mark", "set", session["id"], "--marks", tmp_path / "marks.csv", *why)
    assert "no start is stated, so the newest calibration" in said
    (mark,) = run_json("show", session["id"])["marks"]
    assert mark["u_common_mm"] == pytest.approx(0.03)
    assert mark["u_mm"] == pytest.approx(0.01 / 3**0.5)


@pytest.mark.longer
def test_a_start_that_is_amended(weighed: str, tmp_path: Path) -> None:
    """Labels stay as they were made: another calibration, one that had run out, or another bench is told, and
    what was said of the start before is not. Shown and in the report, the calibration is named.
    """
    run(*ADD.split(), "--interval-days", "60", "--serial", "0417", "--certificate", "C-7")
    run(*ADD.replace("2026-01-10", "2026-04-01").split(), "--serial", "0417", "--certificate", "C-8")
    (logged,) = run_json(*weighed.split(), *["--instrument", "s1", "--start", "2026-03-20T08:00+00:00"])
    session, why = logged["session"]["id"] if "session" in logged else logged["id"], "--author ab --reason no"
    marks = run_json("show", session)["marks"]

    def said_at(*stated: str) -> list[str]:
        run("amend", session, *stated, *why.split())
        return [w["sentence"] for w in run_json("show", session)["warnings"] if w["check"] == "instrument"]

    (late,) = said_at("--start", "2026-04-02T08:00+00:00")
    assert "rest on the calibration of scale s1 of 2026-01-10, and that of 2026-04-01 was in force" in late
    assert "set the marks anew, with the instrument" in late
    assert said_at("--start", "2026-02-02T08:00+00:00") == []
    assert ["held until 2026-03-11" in said for said in said_at("--start", "2026-03-12T08:00+00:00")] == [
        True
    ]
    assert ["before its first one" in said for said in said_at("--start", "2026-01-02T08:00+00:00")] == [True]
    assert run_json("show", session)["marks"] == marks
    named = "scale s1, serial 0417, calibrated 2026-01-10 (C-7), u 0.4 g"
    assert named in " ".join(run("show", session).split())
    run("report", "session", session, "--out", tmp_path / "page.html")
    assert named in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_a_retired_instrument_is_refused_for_new_sessions(weighed: str, tmp_path: Path) -> None:
    """In a call and in a batch; what rests on it stays as it is."""
    run(*ADD.split())
    run(*weighed.split(), "--instrument", "s1", "--start", "2026-02-01T08:00+00:00")
    assert run("retire", "instrument", "s1", "--reason", "dropped") == "instrument s1 is retired: dropped\n"
    other = tmp_path / "other.csv"
    other.write_text((tmp_path / "run.csv").read_text().replace("1000", "1010"))
    again = weighed.replace("run.csv", "other.csv")
    sentence = "instrument s1: is retired ('dropped'); expected one that is in use"
    assert sentence in refused_line(f"{again} --instrument s1")
    (tmp_path / "batch.csv").write_text("file,instruments\nother.csv,s1\n")
    batch = again.replace(str(other), f"--batch {tmp_path / 'batch.csv'}")
    assert "is retired ('dropped')" in refused_line(batch)
    assert "is retired" in refused_line(ADD.replace("2026-01-10", "2026-05-10"))

    assert run_json("instrument", "list") == []
    (known,) = run_json("instrument", "list", "--retired")
    assert known["retired"] == "dropped"
    (calibration,) = run_json("instrument", "show", "s1")
    assert calibration["retired"] == "dropped"
    assert len(calibration["sessions"]) == 1
    assert "scale s1 is retired: dropped" in run("instrument", "show", "s1")
    assert [k["calibrated"] for k in run_json("instrument", "list", "--retired")] == ["2026-01-10"]

    run("retire", "instrument", "s1", "--take-back", "--reason", "it weighs as before")
    run(*again.split(), "--instrument", "s1")
    assert "retired" not in run_json("instrument", "show", "s1")[0]
