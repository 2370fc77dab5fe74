"""``innage store export`` and ``import``: a whole folder or none, and what is said of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from stores import behind_the_back
from typer.testing import CliRunner

from building import bench_store, put
from dataset.records import Liquid
from dataset.store import Store
from innage.cli import app


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with one session and a capture that is still open."""
    path = tmp_path_factory.mktemp("bench") / "s.db"
    with Store.open(path) as store:
        made = bench_store(store)
        store.add_sessions([made.session(1)])
        store.name_bench(store.bench().identity, "north", "by the window")
        store.begin_capture("live", made.unit, made.liquid, made.mounting, {})
    return path.read_bytes()


def run(*words: object) -> str:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return done.stdout


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_out_and_in_and_out_again(store: Path, tmp_path: Path) -> None:
    """The store that the files make is of the same bench, under its name, and gives the same files; what
    stays behind is named.
    """
    said = run("store", "export", tmp_path / "out")
    assert "capture live is still open and was left out" in said
    told = json.loads(run("store", "import", tmp_path / "out", "--store", tmp_path / "new.db", "--json"))
    assert (told["held"], told["dry_run"]) == ([], False)
    assert {one["kind"]: one["new"] for one in told["taken"]}["session"] == 1
    with Store.open(tmp_path / "new.db") as new, Store.open(store) as old:
        assert new.benches() == old.benches()
    (tmp_path / "again").mkdir()  # an empty folder may be there
    again = json.loads(run("store", "export", tmp_path / "again", "--store", tmp_path / "new.db", "--json"))
    assert again["files"] == len(files_in(tmp_path / "out"))
    assert files_in(tmp_path / "again") == files_in(tmp_path / "out")
    assert "nothing new" in run("store", "import", tmp_path / "out")
    assert sorted(p.name for p in tmp_path.iterdir() if p.is_dir()) == ["again", "out"]


def test_a_dry_run_writes_nothing(store: Path, tmp_path: Path) -> None:
    run("store", "export", tmp_path / "out")
    with Store.open(tmp_path / "new.db"):
        pass
    before = (tmp_path / "new.db").read_bytes()
    said = run("store", "import", tmp_path / "out", "--store", tmp_path / "new.db", "--dry-run")
    assert "nothing was written; " in said
    assert (tmp_path / "new.db").read_bytes() == before


def test_what_is_held_back_is_named(store: Path, tmp_path: Path) -> None:
    """Exit code 1, in words and in JSON: what contradicts, and what leans on it."""
    run("store", "export", tmp_path / "out")
    with Store.open(tmp_path / "new.db") as new:
        put(new, Liquid("water", 77.0))
    words = ["store", "import", str(tmp_path / "out"), "--store", str(tmp_path / "new.db")]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 1
    said = " ".join(done.stdout.split())
    assert "held back: liquid water: conductivity is not given here and 0.05 in out" in said
    held = json.loads(CliRunner().invoke(app, [*words, "--json"]).stdout)["held"]
    assert [one["kind"] for one in held] == ["liquid", "session", "unit assignment"]
    assert "leans on liquid water" in held[1]["sentence"]


def test_folders_that_cannot_be(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """One that is not empty stays as it is; one that is none, and a store that is none, are refused."""
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "file").write_text("mine")
    assert "is there and not empty" in refused("store", "export", tmp_path / "mine")
    assert files_in(tmp_path / "mine") == {"file": b"mine"}
    assert "is missing" in refused("store", "import", tmp_path / "mine")
    assert "is no store" in refused("store", "export", tmp_path / "x", "--store", tmp_path / "none.db")
    assert not (tmp_path / "x").exists()
    assert not (tmp_path / "none.db").exists()


def test_a_damaged_store_leaves_no_folder(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """Where an object does not hash to what was kept, the sentence names it, and nothing is written."""
    behind_the_back(store, "UPDATE mark SET level_mm = 99.0")
    assert "content hashes to" in refused("store", "export", tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".out")]
