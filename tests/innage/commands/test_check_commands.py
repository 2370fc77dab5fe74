"""``innage check``, ``backup``, ``restore`` and ``text`` as a user sees them."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from building import CAN, WATER, bench_store, make_frames, one_pad
from dataset.records import (
    Limit,
    Limits,
    Mark,
)
from dataset.store import Store
from innage.cli import app
from migrations import REVISIONS

PINNED = Path(__file__).parents[2] / "data" / "stores" / f"{REVISIONS[-1]}.db"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with two sessions, one of them amended, and limits."""
    path = tmp_path_factory.mktemp("bench") / "bench.db"
    with Store.open(path) as store:
        bench = bench_store(store, tank=CAN, sensor=one_pad(), liquid=WATER, unit="unit", mounting="bench")
        first, _ = store.add_sessions(
            [bench.session(k, (Mark(0, 9, 5.0),), frames=make_frames(k, 3000, 1)) for k in range(2)]
        )
        store.amend_marks(first.id, (Mark(0, 9, 6.0),), "=A. Bench", "read off wrongly")
        store.add_limits(Limits("owner", 0, (Limit("rmse_mm", 1.0),)))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
    return path.read_bytes()


def run(*words: object, code: int = 0) -> Result:
    result = CliRunner().invoke(app, [str(w) for w in words], catch_exceptions=False)
    assert result.exit_code == code, result.output
    return result


def damage(store: Path) -> str:
    """Change a count of the second session behind the tool's back; its id."""
    with closing(sqlite3.connect(store)) as connection:
        ((guard,),) = connection.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'guard_frame_block_update'"
        )
        connection.execute("DROP TRIGGER guard_frame_block_update")
        (packed,) = connection.execute("SELECT counts FROM frame_block WHERE session_id = 2").fetchone()
        connection.execute(
            "UPDATE frame_block SET counts = ? WHERE session_id = 2",
            (packed[:40] + bytes([packed[40] ^ 1]) + packed[41:],),
        )
        connection.execute(guard)
        (sha256,) = connection.execute("SELECT sha256 FROM capture_session WHERE id = 2").fetchone()
        connection.commit()
    return str(sha256)[:12]


def test_check(store: Path) -> None:
    """Exit 0 and one sentence for a sound store; exit 1 and the session's name for a damaged one; JSON says
    the same.
    """
    assert "2 sessions" in run("check").output
    wrong = damage(store)
    said = run("check", code=1).output
    assert f"session {wrong}" in " ".join(said.split())
    found = json.loads(run("check", "--json", code=1).output)
    assert (found["sound"], [f["what"] for f in found["faults"]]) == (False, [f"session {wrong}"])


def test_an_edited_error_is_noticed(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """An error that was made smaller behind the tool's back: the check names the model, the export and the
    list of models refuse it.
    """
    shutil.copyfile(PINNED, store)
    assert "Everything is as it was written" in run("check").output
    with closing(sqlite3.connect(store)) as connection:
        ((guard,),) = connection.execute("SELECT sql FROM sqlite_master WHERE name = 'guard_model_update'")
        connection.execute("DROP TRIGGER guard_model_update")
        changed = connection.execute(
            "UPDATE model SET metrics = replace(metrics, '\"rmse_mm\":0.', '\"rmse_mm\":0.0')"
        )
        assert changed.rowcount == 1
        connection.execute(guard)
        connection.commit()
    found = json.loads(run("check", "--json", code=1).output)
    assert [fault["what"] for fault in found["faults"]] == ["model first"]
    assert found["hashed_by_upgrade"] == 0
    out = tmp_path / "bundle"
    assert "model first: its content hashes to" in refused(
        "export", "first", "--budget", "m0plus-small", "--out", out
    )
    assert not out.exists()
    assert "model first: its content hashes to" in refused("models")


@pytest.mark.longer
def test_an_upgraded_store_says_what_its_hashes_prove(store: Path) -> None:
    """Records from before there were hashes are counted; new ones are not among them."""
    shutil.copyfile(PINNED.with_name("0006_temperature.db"), store)
    assert "got their hash when the store was upgraded" in run("check").output
    before = json.loads(run("check", "--json").output)
    run("unit", "add", "another")
    after = json.loads(run("check", "--json").output)
    assert after["hashed_by_upgrade"] == before["hashed_by_upgrade"] > 5
    assert after["warnings"] == []


def test_a_store_cut_short_is_filled_up(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """A copy from which what is left can be read; a whole store needs none."""
    assert "as long as it says" in refused("check", "--fill-up", tmp_path / "filled.db")
    store.write_bytes(store.read_bytes()[:-5000])
    run("check", "--fill-up", tmp_path / "filled.db", code=1)
    assert len(json.loads(run("sessions", "--json", "--store", tmp_path / "filled.db").output)) == 2


@pytest.mark.longer
def test_backup_and_restore(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """A backup with its hash beside it is put in the place of a damaged store, which is kept."""
    run("backup", tmp_path / "monday.db")
    digest = (tmp_path / "monday.db.sha256").read_text().split()[0]
    damage(store)
    assert "is there already" in refused("restore", tmp_path / "monday.db")
    assert "restored from" in run("restore", tmp_path / "monday.db", "--replace").output
    run("check")
    run("check", "--store", tmp_path / "innage.db.before-restore1", code=1)
    (tmp_path / "monday.db.sha256").write_text("0" * 64)
    assert "its bytes hash to" in refused("restore", tmp_path / "monday.db", "--store", tmp_path / "new.db")
    run("restore", tmp_path / "monday.db", "--store", tmp_path / "new.db", "--sha256", digest)
    assert run("check", "--store", tmp_path / "new.db").exit_code == 0


def test_a_backup_of_what_was_damaged_before_is_not_restored(
    store: Path, tmp_path: Path, refused: Callable[..., str]
) -> None:
    """Its hash is right and its content is not: the sentence names the session, and no store is made."""
    wrong = damage(store)
    run("backup", tmp_path / "late.db")
    assert f"session {wrong}" in refused("restore", tmp_path / "late.db", "--store", tmp_path / "new.db")
    assert not (tmp_path / "new.db").exists()


def test_text(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """Written, read into a new store and written again: the registry's files are the same; strangers' files
    stay; formulas are guarded.
    """
    folder = tmp_path / "text"
    folder.mkdir()
    (folder / "README").write_text("ours")
    assert "Frames, trims, frozen sets" in run("text", "export", folder).output
    assert "'=A. Bench" in (folder / "mark_revisions.csv").read_text()
    said = run("text", "import", folder, "--store", tmp_path / "new.db").output
    assert "2 sessions not in this store" in said
    run("text", "export", tmp_path / "again", "--store", tmp_path / "new.db")
    names = [p.name for p in folder.glob("*.toml")]
    assert len(names) == 9
    assert all((folder / n).read_bytes() == (tmp_path / "again" / n).read_bytes() for n in names)
    assert (folder / "README").read_text() == "ours"
    assert "nothing new" in run("text", "import", folder).output
    assert "holds no text of a store" in refused("text", "import", tmp_path / "nowhere")
