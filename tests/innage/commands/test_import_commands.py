"""``innage unit import`` and ``innage trim import``: lists of units, and trims as a fixture writes them."""

from __future__ import annotations

from pathlib import Path

import pytest

from calling import TWO_SENSORS, run, run_json, run_lines
from dataset.records import Unit
from dataset.store import Store


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of a bench with a sensor of two pads."""
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "innage.db"))
    run_lines(TWO_SENSORS)
    return tmp_path


def written(folder: Path, text: str) -> Path:
    path = folder / "list.csv"
    path.write_text(text, encoding="utf-8")
    return path


def units_there(folder: Path) -> list[str]:
    with Store.open(folder / "innage.db") as store:
        return [unit.name for unit in store.units()]


def test_units_of_a_list(bench: Path) -> None:
    """All or none; a list that has grown is read again as it is; what contradicts is told with its line."""
    assert "list.csv: 2 units added" in run("unit", "import", written(bench, "Unit,Note\nu1,first\nu2,\n"))
    grown = written(bench, "unit,note\nu1,first\nu2,\nu3,new\n")
    assert [unit["name"] for unit in run_json("unit", "import", grown)] == ["u3"]
    assert "0 units added; 3 were in the store already" in run("unit", "import", grown)
    said = run("unit", "import", written(bench, "name,note\nu4,\nu1,other\nu 5,\nu4,\n"), code=2)
    assert "3 of 4 lines can't be used, and nothing was stored:" in said
    assert "line 3: column 'name': unit u1 is in the store with another note, 'first'" in said
    assert "line 4: unit name: 'u 5'; expected" in said
    assert "line 5: column 'name': unit u4 again, as in line 2; expected each once" in said
    assert units_there(bench) == ["u1", "u2", "u3"]


FIXTURE = """unit;kind;date;a;b;Temperature (degC);# seen by
u1;dry;2026-01-31T08:15:02;800;900;21,5;me
u2;dry;2026-01-31;810;905;;me
u2;full;2026-01-31;1600;1700;22;you
"""
ALIKE = ("--mounting", "m-pair", "--stage", "end-of-line")


def test_trims_of_a_fixture(bench: Path) -> None:
    """Channels by their names, a temperature with a decimal comma, a date with a time; units are added where
    that is asked for; the same again adds nothing.
    """
    path = written(bench, FIXTURE)
    said = run("trim", "import", path, *ALIKE, code=2)
    assert "line 2: column 'unit': u1 is not in the store. Say --add-units to add those that are new" in said
    assert "3 trims of 2 units added, 2 units of them new" in run(
        "trim", "import", path, *ALIKE, "--add-units"
    )
    with Store.open(bench / "innage.db") as store:
        facts = [(t.unit.name, str(t.kind), t.date, t.counts, t.temperature_c) for t in store.trims()]
    assert facts == [
        ("u1", "dry", "2026-01-31", (800, 900), 21.5),
        ("u2", "dry", "2026-01-31", (810, 905), None),
        ("u2", "full", "2026-01-31", (1600, 1700), 22.0),
    ]
    said = run("trim", "import", path, *ALIKE)
    assert "0 trims of 0 units added; 3 were in the store already" in said


def test_each_fault_of_a_fixture_is_told_with_its_line(bench: Path) -> None:
    """What a line alone shows, and what only other trims show (u1's second dry trim looks wet), in one list;
    neither trims nor units are added.
    """
    path = written(
        bench,
        "unit,kind,date,counts,note\n"
        "u1,dry,2026-01-31,800|900,\n"
        "u2,damp,2026-01-31,800|900,\n"
        "u3,dry,2026-01-31,800,\n"
        "u1,dry,2026-02-01,1600|900,\n"
        "u4,dry,31.1.2026,800|900,\n"
        "u5,dry,,800|900,\n",
    )
    said = run("trim", "import", path, *ALIKE, "--add-units", code=2)
    assert "5 of 6 lines can't be used, and nothing was stored:" in said
    for sentence in (
        "line 3: column 'kind': 'damp'; expected one of board, dry, block, partial, full, learned",
        "line 4: ",
        "line 5: dry trim of unit u1: looks wet against its dry trim of 2026-01-31: a 1600",
        "line 6: ",
        "line 7: no date; expected a cell in a column of that name, or the option of that name for all lines",
    ):
        assert sentence in said, said
    with Store.open(bench / "innage.db") as store:
        assert not store.trims()
    assert units_there(bench) == []


def test_a_fixture_knows_units_by_their_serials(bench: Path) -> None:
    """A serial finds the unit that has it, a new one names its unit; a name with another is refused."""
    run("unit", "add", "left", "--serial", "SN1")
    path = written(bench, "serial,kind,date,counts\nSN1,dry,2026-01-31,1|2\nSN2,dry,2026-01-31,2|2\n")
    said = run("trim", "import", path, *ALIKE, code=2)
    assert "line 3: column 'serial': SN2 is not in the store" in said
    run("trim", "import", path, *ALIKE, "--add-units")
    with Store.open(bench / "innage.db") as store:
        assert [(t.unit.name, t.unit.serial) for t in store.trims()] == [("left", "SN1"), ("SN2", "SN2")]
    path = written(bench, "unit,serial,kind,date,counts\nleft,SN3,dry,2026-01-31,1|2\n")
    said = run("trim", "import", path, *ALIKE, code=2)
    assert "line 2: column 'serial': SN3 of unit left; expected SN1" in said


def test_a_serial_that_a_unit_was_not_added_with(bench: Path) -> None:
    """The sentence says how to leave the column out, and doing so works though it is the first one; a remark
    above headings stays one.
    """
    run("unit", "add", "u1")
    lines = "serial,unit,kind,date,a,b\nSN1,u1,dry,2026-01-31,1,2\n"
    said = run("trim", "import", written(bench, lines), *ALIKE, code=2)
    assert "SN1 of unit u1; expected none, as the store has it" in said
    assert "One that was read later is given to the unit with 'innage unit serial'" in said
    assert "a column whose heading begins with '#' is passed over" in said
    for above in ("", "# unit,kind,date: as the fixture calls them\n", "#old,unit,kind\n"):
        path = written(bench, f"{above}#{lines}" if not above else f"{above}{lines.replace('serial', '#s')}")
        run("trim", "import", path, *ALIKE)
    with Store.open(bench / "innage.db") as store:
        assert [trim.counts for trim in store.trims()] == [(1, 2)]


def test_a_remark_that_names_columns_is_none_above_headings(bench: Path) -> None:
    """The line below it has headings of its own, so that it is no line of them, whatever it looks like."""
    run("unit", "add", "u1")
    lines = "# unit, kind, date, a, b\nunit,kind,date,a,b\nu1,dry,2026-01-31,1,2\n"
    run("trim", "import", written(bench, lines), *ALIKE)
    with Store.open(bench / "innage.db") as store:
        assert [trim.counts for trim in store.trims()] == [(1, 2)]


def test_a_fixture_calls_the_channels_otherwise(bench: Path) -> None:
    """What lacks is named with the option that says how the columns are called, in channel order."""
    run("unit", "add", "u1")
    path = written(bench, "unit,kind,date,K1,K0\nu1,dry,2026-01-31,1,2\n")
    said = run("trim", "import", path, *ALIKE, code=2)
    assert "line 2: no count of a, b; expected a column for each channel of pair@1" in said
    assert "Columns that are called otherwise are named by --count" in said
    said = run("trim", "import", path, *ALIKE, "--count", "K0", code=2)
    assert "--count: 1 column; expected 2, one for each channel of pair@1 in order" in said
    said = run("trim", "import", path, *ALIKE, "--count", "K0", "--count", "K2", code=2)
    assert "line 2: no count of K2" in said
    run("trim", "import", path, *ALIKE, "--count", "K0", "--count", "K1")
    with Store.open(bench / "innage.db") as store:
        assert [trim.counts for trim in store.trims()] == [(2, 1)]


@pytest.mark.longer
def test_a_fixture_names_units_of_another_bench(bench: Path) -> None:
    """NAME@BENCH, by the bench's name or digits, as options take it. One that is not there is no new unit;
    a serial that two benches gave is asked about.
    """
    with Store.open(bench / "far.db", bench="fa" * 16) as far:
        far.add_units([Unit("u1"), Unit("u7", serial="SN1")])
    run("unit", "add", "u1")
    run("unit", "add", "left", "--serial", "SN1")
    run("merge", bench / "far.db")
    with Store.open(bench / "innage.db") as store:
        (named,) = (b.name for b in store.benches() if b.identity == "fa" * 16)
    lines = f"u1@{named},dry,2026-01-31,1|2\nu1@fafafa,full,2026-01-31,2|2\nu1,dry,2026-01-31,3|2\n"
    run("trim", "import", written(bench, f"unit,kind,date,counts\n{lines}"), *ALIKE)
    with Store.open(bench / "innage.db") as store:
        assert [(t.unit.bench == "fa" * 16, t.counts[0]) for t in store.trims()] == [
            (True, 1),
            (True, 2),
            (False, 3),
        ]
    path = written(bench, "unit,kind,date,counts\nu2@fafafa,dry,2026-01-31,1|2\n")
    said = run("trim", "import", path, *ALIKE, "--add-units", code=2)
    assert "unit u2@fafafa: is not in the store" in said
    path = written(bench, "serial,kind,date,counts\nSN1,dry,2026-01-31,1|2\n")
    said = " ".join(run("trim", "import", path, *ALIKE, code=2).split())
    assert "line 2: column 'serial': SN1 is the serial of left, u7; expected a unit by its name" in said


def test_columns_of_a_fixture_are_channels(bench: Path) -> None:
    run("unit", "add", "u1")
    path = written(bench, "unit,kind,date,a,c\nu1,dry,2026-01-31,1,2\n")
    assert "line 2: no count of b; expected a column for each channel of pair@1" in run(
        "trim", "import", path, *ALIKE, code=2
    )
    path = written(bench, "unit,kind,date,a,b,c\nu1,dry,2026-01-31,1,2,3\n")
    assert "line 2: a column 'c'; expected a channel of pair@1" in run("trim", "import", path, *ALIKE, code=2)
