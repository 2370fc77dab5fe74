"""``innage log --batch``: a line a file, each with statements of its own; all are logged or none."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from calling import TWO_SENSORS, run, run_json, run_lines
from dataset.records import Unit
from dataset.store import Store
from innage.jobs.batch import sessions as batch_sessions
from innage.jobs.batch.statements import Statements
from innage.lazy import load


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of a bench with a sensor of two pads and two units, and a file of each."""
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "innage.db"))
    monkeypatch.chdir(tmp_path)
    run_lines(TWO_SENSORS)
    run("unit", "add", "u1", "u2")
    for seed in (1, 2):
        a_file(tmp_path / f"run{seed}.csv", seed)
    return tmp_path


def a_file(path: Path, seed: int, level: str = "mm") -> None:
    """Twenty frames at two levels; invented."""
    noise = np.random.default_rng(seed).integers(0, 40, (20, 2))
    rows = [f"{100 * k},{800 + a},{900 + b},{10 * (k // 10)}" for k, (a, b) in enumerate(noise.tolist())]
    path.write_text("\n".join([f"t,a,b,{level}", *rows, ""]), encoding="utf-8")


def batch(folder: Path, text: str, name: str = "sessions.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


ALIKE = ("--tank", "can", "--sensor", "pair", "--liquid", "water", "--time", "t", "--level", "mm")


def test_a_line_can_state_whatever_an_option_can() -> None:
    """The options of ``innage log`` but those of the call itself are the fields that a line may state."""
    command = load("log")
    of_the_call = {"files", "batch", "add_units", "even_if_warned", "save_mapping", "json", "store", "help"}
    options = {parameter.name for parameter in command.params} - of_the_call
    assert options == {field.name for field in fields(Statements)}


def test_lines_state_what_differs(bench: Path) -> None:
    """Options hold where a line is silent; a line's own cells go before them; the readings are the files'."""
    path = batch(
        bench,
        "File,unit,Note,condition,level_half-width mm\n# morning\n"
        "run1.csv,u1,first,wall=film,\n\nrun2.csv,u2,,,0.6\n",
    )
    said = run("log", "--batch", path, *ALIKE, "--note", "of the day")
    assert "sessions.csv: 2 sessions logged" in said
    with Store.open(bench / "innage.db") as store:
        one, two = store.sessions()
        assert (store.frames(one).counts[:, 0] >= 800).all()
    assert [(s.unit.name, s.note, s.source.file) for s in (one, two)] == [
        ("u1", "first", "run1.csv"),
        ("u2", "of the day", "run2.csv"),
    ]
    assert (len(one.stretches), len(two.stretches)) == (1, 0)
    assert (one.marks[0].u_mm, two.marks[0].u_mm) == (None, pytest.approx(0.6 / 3**0.5))


def test_lines_name_units_of_another_bench(bench: Path) -> None:
    """NAME@BENCH, by the bench's name or digits, as --unit takes it; one that is not there is no new unit."""
    with Store.open(bench / "far.db", bench="fa" * 16) as far:
        far.add_unit(Unit("u1"))
    run("merge", bench / "far.db")
    path = batch(bench, "file,unit\nrun1.csv,u1@fafafa\nrun2.csv,u1\n")
    run("log", "--batch", path, *ALIKE)
    with Store.open(bench / "innage.db") as store:
        assert [s.unit.bench == "fa" * 16 for s in store.sessions()] == [True, False]
    assert "0 sessions logged, 2 in the store already" in run("log", "--batch", path, *ALIKE)
    path = batch(bench, "file,unit\nrun1.csv,u9@fafafa\n")
    assert "u9@fafafa" in run("log", "--batch", path, *ALIKE, "--add-units", code=2)
    with Store.open(bench / "innage.db") as store:
        assert len(store.units()) == 3


def test_each_fault_is_told_with_its_line_and_nothing_is_logged(bench: Path) -> None:
    """Six lines can't be used, each for a reason of its own; the good one is not logged either."""
    a_file(bench / "run3.csv", 3)
    (bench / "spoilt.csv").write_text("t,a,b,mm\n0,800,9x0,0\n", encoding="utf-8")
    path = batch(
        bench,
        "file;unit;level_half_width_mm;liquid;time_unit\n"
        "run1.csv;u1;0,5;;\n"
        "none.csv;u1;;;\n"
        "run2.csv;u3;;;\n"
        "run2.csv;u2;half;;\n"
        "spoilt.csv;u1;;;\n"
        "run1.csv;u2;;;\n"
        "run3.csv;u2;;;minutes\n"
        ";u2;;;\n",
    )
    said = run("log", "--batch", path, *ALIKE, code=2)
    assert "7 of 8 lines can't be used, and nothing was stored:" in said
    for sentence in (
        "line 3: column 'file': no file none.csv; expected one that lies in ",
        "line 4: unit u3: is not in the store",
        "line 5: column 'level_half_width_mm': 'half'; expected a number",
        "spoilt.csv, line 2, column 'b': '9x0'; expected a number",
        "line 7: column 'file': the same recording as in line 2, run1.csv; expected each once",
        "line 8: column 'time_unit': 'minutes'; expected one of ms, s",
        "line 9: column 'file': an empty cell",
    ):
        assert sentence in said, said
    with Store.open(bench / "innage.db") as store:
        assert not store.sessions()


def test_a_batch_that_has_grown_is_gone_on_with(bench: Path) -> None:
    """What is in the store with the same statements is skipped and said; with another statement it is
    refused.
    """
    path = batch(bench, "file,unit\nrun1.csv,u1\n")
    (first,) = run_json("log", "--batch", path, *ALIKE)
    assert (first["line"], first["known"]) == (2, False)
    path = batch(bench, "file,unit\nrun1.csv,u1\nrun2.csv,u2\n")
    known, new = run_json("log", "--batch", path, *ALIKE)
    assert (known["known"], known["id"], new["known"], new["line"]) == (True, first["id"], False, 3)
    said = run("log", "--batch", path, *ALIKE)
    assert "0 sessions logged, 2 in the store already with the same statements" in said
    path = batch(bench, "file,unit\nrun1.csv,u2\n")
    said = run("log", "--batch", path, *ALIKE, code=2)
    assert (
        f"line 2: session from run1.csv: has, frame by frame, the readings of session {first['id']}" in said
    )
    assert f"'innage void {first['id']} --reason ...'" in said


@pytest.mark.longer
def test_lines_alike_are_told_together_and_new_units_are_added(bench: Path) -> None:
    """A unit that is missing in three lines is one fault, and hides nothing else; with --add-units it comes
    with the sessions, or not at all.
    """
    for seed in (3, 4, 5):
        a_file(bench / f"run{seed}.csv", seed)
    text = "file,unit\nrun3.csv,n1\nrun4.csv,n1\nrun1.csv,u1\nrun5.csv,n1\n"
    path = batch(bench, text)
    said = run("log", "--batch", path, *ALIKE, code=2)
    assert "3 of 4 lines can't be used" in said
    assert "  lines 2 to 3, 5: unit n1: is not in the store." in said
    assert "say --add-units to add those that are new" in said
    wrong = ["xyz" if word == "mm" else word for word in ALIKE]
    said = run("log", "--batch", path, *wrong, code=2)
    assert "4 of 4 lines" in said
    assert "  lines 2 to 5: in each file, line 1: no column 'xyz'" in said
    said = run("log", "--batch", path, *wrong, "--add-units", code=2)
    assert "unit n1" not in said
    assert "4 sessions logged" in run("log", "--batch", path, *ALIKE, "--add-units")
    with Store.open(bench / "innage.db") as store:
        assert [unit.name for unit in store.units()] == ["n1", "u1", "u2"]
        sealed = [store.session(session.id).sha256 for session in store.sessions()]
        assert all(len(store.frames(sha256, verify=True)) == 20 for sha256 in sealed)
    assert "4 in the store already" in run("log", "--batch", path, *ALIKE)


def test_levels_in_another_unit_are_not_logged_by_the_dozen(bench: Path) -> None:
    """A column named in cm that is read in mm is a warning in a single file; of a batch nothing is logged,
    until somebody says that it is right.
    """
    a_file(bench / "run1.csv", 1, "level_cm")
    path = batch(bench, "file,unit,level\nrun1.csv,u1,level_cm\nrun2.csv,u2,mm\n")
    said = run("log", "--batch", path, *ALIKE, code=2)
    assert "1 of 2 lines can't be used, and nothing was stored. Where it is right all the same, say" in said
    assert "say --even-if-warned; a line that begins with '#' is passed over:" in said
    assert "  line 2: column named otherwise: 'level_cm' speaks of cm and is read in mm" in said
    assert "line 3" not in said
    with Store.open(bench / "innage.db") as store:
        assert not store.sessions()
    assert "2 sessions logged" in run("log", "--batch", path, *ALIKE, "--even-if-warned")


def test_one_instant_is_not_the_start_of_many(bench: Path) -> None:
    """An option gives it to a line that is alone in stating none."""
    path = batch(bench, "file,unit\nrun1.csv,u1\nrun2.csv,u2\n")
    at = ("--start", "2026-03-02T09:15+01:00")
    assert "--start: one instant for 2 files" in run("log", "--batch", path, *ALIKE, *at, code=2)
    path = batch(bench, "file,unit,start\nrun1.csv,u1,\nrun2.csv,u2,2026-03-02T10:00Z\n")
    run("log", "--batch", path, *ALIKE, *at)
    with Store.open(bench / "innage.db") as store:
        starts = [session.occasion.started for session in store.sessions()]
    assert starts == ["2026-03-02T09:15:00+01:00", "2026-03-02T10:00:00+00:00"]


def test_files_that_found_no_room_are_read_again(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same sessions come of it; a file that changed in between is refused and nothing is logged."""
    path = batch(bench, "file,unit\nrun1.csv,u1\nrun2.csv,u2\n")
    monkeypatch.setattr(batch_sessions, "_KEPT_BYTES", 500)  # of the first file's 320
    both = [facts["sha256"] for facts in run_json("log", "--batch", path, *ALIKE)]
    with Store.open(bench / "innage.db") as store:
        assert [session.sha256 for session in store.sessions()] == both
        assert len(store.frames(both[1])) == 20
    a_file(bench / "run4.csv", 4)
    a_file(bench / "run5.csv", 5)
    path = batch(bench, "file,unit\nrun4.csv,u1\nrun5.csv,u2\n")
    read = batch_sessions._read

    def changing(file: Path, *settled: object) -> object:
        done = read(file, *settled)  # type: ignore[arg-type]  # what the real one is given
        if file.name == "run5.csv":
            a_file(file, 6)
        return done

    monkeypatch.setattr(batch_sessions, "_read", changing)
    said = run("log", "--batch", path, *ALIKE, code=2)
    assert "changed while it was logged" in said
    with Store.open(bench / "innage.db") as store:
        assert len(store.sessions()) == 2


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("file,unti\nrun1.csv,u1\n", "line 1: a heading 'unti'. Did you mean 'unit'?"),
        ("unit\nu1\n", "line 1: no heading 'file'"),
        ("file,unit,Unit\nrun1.csv,u1,u2\n", "the heading 'Unit' twice"),
        ("file,unit\n", "no line below the headings"),
        ("file,unit\nrun1.csv\n", "line 2: 1 cell; expected 2, as in line 1"),
        ("file,unit\nrun1.csv,u1,x\n", "line 2: 3 cells; expected 2, as in line 1"),
    ],
)
def test_headings_and_cells_are_checked(bench: Path, text: str, sentence: str) -> None:
    assert sentence in run("log", "--batch", batch(bench, text), *ALIKE, code=2)


def test_what_does_not_go_together_is_refused(bench: Path) -> None:
    path = batch(bench, "file,unit,# seen by\nrun1.csv,u1,me\n")
    assert "files and --batch" in run("log", "run1.csv", "--batch", path, code=2)
    assert "nothing to log" in run("log", *ALIKE, code=2)
    assert "--save-mapping: beside --batch" in run("log", "--batch", path, "--save-mapping", "x", code=2)
    assert "sessions.csv: 1 session logged" in run("log", "--batch", path, *ALIKE)


def test_lines_state_who_when_and_with_what(bench: Path) -> None:
    """Each file's start by its name, but where a line states another."""
    refused = run("log", "run1.csv", "--unit", "u1", *ALIKE, "--operator", "mk", code=2)
    assert refused == "innage: operator mk: is not in the store. Add it with 'innage operator add'\n"
    run("operator", "add", "mk")
    run("operator", "add", "jo")
    run("unit", "name-bench", "cellar")
    for seed in (1, 2):
        (bench / f"run{seed}.csv").rename(bench / f"run_20260302_091{seed}.csv")
    path = batch(
        bench,
        "file,unit,operator,start,board_firmware,tags,bench\n"
        "run_20260302_0911.csv,u1,mk,,1.4.0,humid|first,cellar\n"
        "run_20260302_0912.csv,u2,jo,2026-03-02T10:00Z,,,\n",
    )
    stated = ("--start", "name:run_%Y%m%d_%H%M.csv", "--utc-offset", "+01:00")
    run("log", "--batch", path, *ALIKE, *stated)
    facts = [
        [session[key] for key in ("operator", "started", "firmware", "tags")]
        for session in run_json("sessions")
    ]
    assert facts == [
        ["mk", "2026-03-02T09:11:00+01:00", "1.4.0", ["first", "humid"]],
        ["jo", "2026-03-02T10:00:00+00:00", None, []],
    ]
    assert "cellar" in run("sessions")
    again = run("log", "--batch", path, *ALIKE, *stated)
    assert "2 known" in again or "already" in again
