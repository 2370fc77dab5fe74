"""``innage unit`` and ``innage merge --same-unit`` as a user sees them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from building import bench_store
from dataset.store import Store
from dataset.store.listing import names
from innage.cli import app

NORTH, SOUTH = "a" * 32, "b" * 32


@pytest.fixture
def south(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The other bench's store; both benches have a session of a unit of their own called unit1."""
    for seed, (name, bench) in enumerate((("north", NORTH), ("south", SOUTH))):
        with Store.open(tmp_path / f"{name}.db", bench=bench) as store:
            store.add_sessions([bench_store(store).session(seed)])
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "north.db"))
    return tmp_path / "south.db"


def run(*words: str, code: int = 0) -> Result:
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert result.exit_code == code, result.output + result.stderr
    return result


def units() -> list[str]:
    return [unit["name"] for unit in json.loads(run("unit", "list", "--json").output)]


def test_two_of_one_name(south: Path) -> None:
    """The merge says what the other one is called; lists show it, and options take it, by digits or by name
    of its bench.
    """
    said = run("merge", str(south)).output.replace("\n", " ")
    assert "is another sample than unit1 here, and is called unit1@bbbbbb" in said
    assert units() == ["unit1", "unit1@bbbbbb"]
    assert names(south.with_name("north.db"), "unit") == ("unit1", "unit1@bbbbbb")
    run("unit", "name-bench", "south", "--bench", "bbbbbb", "--note", "by the door")
    assert [b["name"] for b in json.loads(run("unit", "benches", "--json").output)] == [
        "bench-aaaaaa",
        "south",
    ]
    for unit in ("unit1@bbbbbb", "unit1@south"):
        (session,) = json.loads(run("sessions", "--unit", unit, "--json").output)
        assert session["unit"] == "unit1@bbbbbb"
        assert json.loads(run("unit", "show", unit, "--json").output)["bench_name"] == "south"
        facts = ("--unit", unit, "--kind", "partial", "--date", "2026-01-01", "--stage", "line")
        taken = ("--level-mm", "15", "--session", session["id"], "--from", "0", "--to", "9")
        run("trim", "add", *facts, *taken, "--note", unit)
    assert len(json.loads(run("trim", "list", "--unit", "unit1@south", "--json").output)) == 2


def test_a_unit_is_shown_with_what_lists_say_of_it(south: Path) -> None:
    """Trims with temperature and counts; a session's start, warnings, tags and why it is void."""
    (session,) = json.loads(run("sessions", "--unit", "unit1", "--json").output)
    trim = ("--unit", "unit1", "--mounting", session["mounting"], "--kind", "board", "--stage", "line")
    run("trim", "add", *trim, "--date", "2026-01-01", "--counts", "123,456", "--temperature-c", "21.5")
    run("tag", "add", "humid", session["id"], "--author", "mk")
    run("void", session["id"], "--reason", "pump ran")
    run("merge", str(south))
    run("unit", "name-bench", "south", "--bench", "bbbbbb")
    said = run("unit", "show", "unit1").output
    assert [line.split() for line in said.splitlines() if line.startswith(session["id"])] == [
        [session["id"], session["mounting"], session["liquid"], "tag:", "humid,", "void:", "pump", "ran"]
    ]
    (row,) = [line.split() for line in said.splitlines() if line.startswith("unit1 ")]
    assert row[1:] == [
        session["mounting"],
        "board",
        "2026-01-01",
        "line",
        "21.5",
        "123,",
        "456",
        "counts",
        "given",
    ]
    assert "bench-aaaaaa" in said
    assert json.loads(run("unit", "show", "unit1", "--json").output)["sessions"] == [session["id"]]
    lines = run("unit", "show", "unit1@south").output.splitlines()[4:9]
    assert {line[:19].strip(): line[19:].strip() for line in lines} == {
        "serial": "-",
        "bench": "south",
        "name on its bench": "unit1",
        "note": "",
        "mountings": session["mounting"],
    }


@pytest.mark.longer
def test_one_after_all(south: Path) -> None:
    """Said at the merge, taken back, and said again."""
    refused = run("merge", str(south), "--same-unit", "unit1", code=2).stderr
    assert "reason: nothing" in refused
    unknown = run("merge", str(south), "--same-unit", "unit1=unit9", "--reason", "sent over", code=2)
    assert "--same-unit, unit9: is no unit of south.db" in unknown.stderr
    run("merge", str(south), "--same-unit", "unit1", "--reason", "sent over")
    assert units() == ["unit1"]
    assert len(json.loads(run("sessions", "--unit", "unit1", "--json").output)) == 2
    two = ("unit", "same", "unit1", "unit1@bbbbbb", "--reason", "two labels")
    assert "are two" in run(*two, "--take-back").output
    assert units() == ["unit1", "unit1@bbbbbb"]
    assert "are one, shown as unit1" in run(*two).output
    assert "are one already" in run(*two, code=2).stderr


def test_frozen_by_the_names_that_are_shown(south: Path) -> None:
    """Groups are chosen by the names that lists show, and shown by those that the set has in every store."""
    run("merge", str(south))
    by_unit = run("freeze", "units", "--group", "unit", "--fit", "unit1", "--prove", "rest").output
    assert [word for word in by_unit.split() if word.startswith("unit1")] == ["unit1@aaaaaa", "unit1@bbbbbb"]
    assert "canister" in run("freeze", "tanks", "--group", "tank", "--fit", "canister@1").output
    (group,) = json.loads(run("frozen", "tanks", "--json").output)["groups"]
    assert "canister" in group.values()
    assert "2 benches" in run("check").output


def test_serials(south: Path) -> None:
    """One for one unit, and each once on a bench."""
    run("unit", "add", "u7", "--serial", "0417", "--note", "shelf")
    assert "0417" in run("unit", "list").output
    assert "one for 2 units" in run("unit", "add", "u8", "u9", "--serial", "1", code=2).stderr
    assert "is that of unit u7" in run("unit", "add", "u8", "--serial", "0417", code=2).stderr


def test_a_serial_that_is_read_later(south: Path) -> None:
    """The plate of a unit is read when a session of it stands there: lists, the unit and its JSON say the
    serial and why; it is taken back; what cannot be is refused with the way out.
    """
    run("unit", "add", "u7", "--serial", "0417")
    said = run("unit", "serial", "unit1", "0418", "--reason", "the plate was read", "--author", "A. Bench")
    assert said.output.strip() == "unit unit1 has serial 0418: the plate was read (by A. Bench)"
    assert [(u["name"], u["serial"]) for u in json.loads(run("unit", "list", "--json").output)] == [
        ("u7", "0417"),
        ("unit1", "0418"),
    ]
    shown = json.loads(run("unit", "show", "unit1", "--json").output)
    assert len(shown["sessions"]) == 1
    assert [(u["serial"], u["reason"], u["takes_back"]) for u in shown["unions"]] == [
        ("0418", "the plate was read (by A. Bench)", False)
    ]
    assert "serial 0418, the plate was read (by A. Bench)" in run("unit", "show", "unit1").output
    again = run("unit", "serial", "unit1", "0419", "--reason", "another", code=2).stderr.replace("\n", " ")
    assert "is 0418 already" in again
    assert "innage unit serial NAME --take-back" in again
    assert (
        "0417 is that of unit u7"
        in run("unit", "serial", "unit1", "--take-back", "--reason", "of the next one").output
        + run("unit", "serial", "unit1", "0417", "--reason", "so", code=2).stderr
    )
    assert units() == ["u7", "unit1"]
    assert json.loads(run("unit", "show", "unit1", "--json").output)["serial"] is None
    assert "serial 0418, taken back: of the next one" in run("unit", "show", "unit1").output
    for words in (("unit1",), ("unit1", "0418", "--take-back")):
        assert "the serial, or --take-back" in run("unit", "serial", *words, "--reason", "so", code=2).stderr
    assert (
        "it was added with 0417"
        in run("unit", "serial", "u7", "--take-back", "--reason", "so", code=2).stderr
    )
    assert "as it was written" in run("check").output
    assert south.exists()


@pytest.mark.usefixtures("south")
def test_a_copy_is_given_a_bench_of_its_own() -> None:
    said = run("unit", "part-bench", "cellar", "--reason", "a copy for the second rig").output
    first = json.loads(run("unit", "benches", "--json").output)[0]
    assert (first["name"], first["own"]) == ("cellar", True)
    assert first["identity"] in said
    assert first["note"].endswith(": a copy for the second rig")
