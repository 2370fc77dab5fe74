"""The whole job as a user runs it: the demo on measured readings, and what trace and verify say of its
bundle.
"""

import hashlib
import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dataset.store import Store
from export.evidence.decisions import Decisions
from export.evidence.drawing import LEAST_VISITS
from export.evidence.streams import streams_of
from export.vectors import from_csv
from innage.cli import app
from training.program import from_json

pytestmark = pytest.mark.slow
run = CliRunner().invoke
Demo = tuple[Path, str]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The folder of one demo run and what it printed."""
    folder = tmp_path_factory.mktemp("demo") / "run"
    result = run(app, ["demo", "--real", "--out", str(folder)])
    assert result.exit_code == 0, result.output
    return folder, result.output


@pytest.fixture
def at(demo: Demo, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo's folder as the place where commands run, its store the default one."""
    monkeypatch.setenv("INNAGE_STORE", str(demo[0] / "innage.db"))
    return demo[0]


def test_every_command_is_shown_and_the_bundle_is_named(demo: Demo) -> None:
    """The demo prints each command it runs and where the bundle lies; verify passes within it."""
    folder, output = demo
    for command in (
        "tank add",
        "log levels_tidy.csv",
        "freeze",
        "train",
        "budget check",
        "export",
        "verify",
        "trace",
    ):
        assert f"$ innage {command}" in output
    assert "Every check passed." in output
    assert f"The bundle lies in {folder / 'bundle'}" in output
    serve = f"'innage serve --store {folder / 'innage.db'}' (extra 'service'), then http://127.0.0.1:8470"
    assert output.rstrip().endswith(serve)


def test_the_exported_c_is_small_and_without_float(at: Path) -> None:
    """Code, tables and helpers within 1.5 KiB, RAM within 64 bytes, as compiled; no floating-point type in
    the text.
    """
    cost = json.loads((at / "bundle" / "manifest.json").read_text())["cost"]
    assert sum(cost[part] for part in ("flash_code", "flash_tables", "flash_helpers")) <= 1536
    assert cost["ram"] <= 64
    text = (at / "bundle" / "innage.c").read_text() + (at / "bundle" / "innage.h").read_text()
    assert not re.search(r"\b(float|double)\b", text)


def test_vectors_visit_every_side_often(at: Path) -> None:
    """Each side of a decision in 50 frames at least, no fewer inner sides than the floor; some of the streams
    are frames of the session.
    """
    program = from_json((at / "bundle" / "program.json").read_text())
    decisions = Decisions(program)
    streams = streams_of(from_csv(program, (at / "bundle" / "vectors.csv").read_text()))
    visits = decisions.visits(streams).sum(axis=0)
    assert visits[decisions.decisive].min() >= LEAST_VISITS
    stated = json.loads((at / "bundle" / "manifest.json").read_text())["vectors"]
    assert stated["visited"]["decisions"]["unvisited"] == []
    assert not stated["visited"]["inner"]["below_floor"]
    assert len(stated["excerpts"]) > 40


def test_a_second_run_refuses_the_folder(demo: Demo) -> None:
    """A folder that is there already is not touched."""
    result = run(app, ["demo", "--real", "--out", str(demo[0])])
    assert result.exit_code == 2
    assert "is there already; expected the name of a new folder" in result.stderr


@pytest.mark.parametrize("name", ["innage.c", "innage.h", "innage.onnx", "manifest.json"])
def test_trace_leads_from_any_file_to_the_readings(at: Path, name: str, tmp_path: Path) -> None:
    """A file of the bundle, moved and renamed, leads to the session and to the SHA-256 of the logged file."""
    moved = tmp_path / "renamed.bin"
    moved.write_bytes((at / "bundle" / name).read_bytes())
    result = run(app, ["trace", str(moved), "--json"])
    assert result.exit_code == 0, result.output
    (found,) = json.loads(result.stdout)["exports"]
    (session,) = found["sessions"]
    assert found["exported_as"] == name
    assert session["source"]["sha256"] == hashlib.sha256((at / "levels_tidy.csv").read_bytes()).hexdigest()
    assert session["unit"] == "unit-1"
    assert session["levels_mm"][:3] == [0.0, 10.0, 15.0]


def test_trace_of_a_changed_file_says_no(at: Path, tmp_path: Path) -> None:
    """One changed byte: the store did not write this file; exit 1."""
    changed = tmp_path / "innage.c"
    changed.write_bytes((at / "bundle" / "innage.c").read_bytes() + b"\n")
    result = run(app, ["trace", str(changed)])
    assert result.exit_code == 1
    assert "no export of this store wrote this file" in result.stdout


def test_trace_of_nothing_is_a_wrong_call(at: Path) -> None:
    """A file that is not there is named; exit 2."""
    result = run(app, ["trace", str(at / "missing.c")])
    assert result.exit_code == 2
    assert "missing.c: cannot be read (No such file or directory)" in result.stderr


def test_exporting_again_gives_identical_bytes(at: Path, tmp_path: Path) -> None:
    """The same model exported to another folder has the same bytes in every file."""
    result = run(app, ["export", "first", "--budget", "m0plus-small", "--out", str(tmp_path / "again")])
    assert result.exit_code == 0, result.output
    names = sorted(p.name for p in (at / "bundle").iterdir())
    assert names == sorted(p.name for p in (tmp_path / "again").iterdir())
    for name in names:
        assert (tmp_path / "again" / name).read_bytes() == (at / "bundle" / name).read_bytes(), name


@pytest.mark.slow
def test_a_second_demo_gives_identical_bytes(demo: Demo, tmp_path: Path) -> None:
    """The whole job done twice, training included, ends in the same bundle."""
    assert run(app, ["demo", "--real", "--out", str(tmp_path / "again")]).exit_code == 0
    for path in sorted((demo[0] / "bundle").iterdir()):
        assert (tmp_path / "again" / "bundle" / path.name).read_bytes() == path.read_bytes(), path.name


def test_void_sessions_are_said_plainly(demo: Demo, tmp_path: Path) -> None:
    """After a session is voided, trace says so, export refuses, and training refuses."""
    folder, _ = demo
    store = tmp_path / "innage.db"
    with Store.open(folder / "innage.db") as opened:
        session = opened.sessions()[0].id
    store.write_bytes((folder / "innage.db").read_bytes())
    said = ["--store", str(store)]
    assert run(app, ["void", session, "--reason", "the scale was not tared", *said]).exit_code == 0
    traced = run(app, ["trace", str(folder / "bundle" / "innage.c"), *said])
    assert "VOID: the scale was not tared" in " ".join(traced.stdout.split())
    exported = run(app, ["export", "first", "--budget", "m0plus-small", "--out", str(tmp_path / "b"), *said])
    assert exported.exit_code == 1
    assert not (tmp_path / "b").exists()
    trained = run(app, ["train", "half-steps", "--name", "second", *said])
    assert trained.exit_code == 2
    assert "void" in trained.stderr
