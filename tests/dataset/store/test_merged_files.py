"""The file of another store, as a merge reads it: older ones, damaged and prepared ones, and none at all."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from stores import content

from building import put
from dataset.errors import InputError, StoreError
from dataset.records import Unit
from dataset.store import Store

Register = Callable[[Store], Any]
PINNED = Path(__file__).parents[2] / "data" / "stores" / "0001_first.db"


def test_what_another_process_has_not_written_back_is_read_too(
    benches: tuple[Store, Store], register: Register
) -> None:
    """While someone has the other store open, its latest entries, still in SQLite's log, come in."""
    left, right = benches
    with closing(sqlite3.connect(right.path)) as holding:
        holding.execute("SELECT * FROM unit").fetchall()
        put(right, Unit("late"))
        assert (right.path.parent / "right.db-wal").stat().st_size > 0
        left.merge(right.path)
    assert left.unit("late") == Unit("late")


@pytest.mark.longer
def test_an_older_store_comes_in(new_store: Store, tmp_path: Path) -> None:
    """A store of the first revision is copied and the copy upgraded; the file stays as it was, with its
    session verified here.
    """
    old = Path(shutil.copy(PINNED, tmp_path / "old.db"))
    before = old.read_bytes()
    files = {p.name for p in tmp_path.iterdir()}
    assert new_store.merge(old).new > 0
    assert old.read_bytes() == before
    assert {p.name for p in tmp_path.iterdir()} == files
    (session,) = new_store.sessions()
    assert len(new_store.frames(session, verify=True)) == 768
    assert len(new_store.frozen_data(new_store.models()[0].frozen).counts) == 768
    assert new_store.merge(old).new == 0


def test_changed_frames_are_refused(benches: tuple[Store, Store], register: Register) -> None:
    """A session that does not hash to what was sealed does not come in, and the sentence names the other
    store.
    """
    left, right = benches
    right.add_sessions([register(right).session(1)])
    with closing(sqlite3.connect(right.path)) as connection, connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("UPDATE mark SET level_mm = 17.0 WHERE position = 0")
    before = content(left)
    with pytest.raises(StoreError, match=r"right.db, session .* content hashes to"):
        left.merge(right.path)
    assert content(left) == before


PREPARED = {
    "a view": (
        "0008_team.db",
        (
            "DROP TABLE open_entry; DROP TABLE open_block; DROP TABLE open_capture;"
            "CREATE VIEW open_capture AS SELECT seq AS id, file AS name FROM pragma_database_list"
        ),
    ),
    "a trigger of an older store": (
        "0007_proof.db",
        (
            "CREATE TRIGGER ours AFTER UPDATE ON alembic_version BEGIN"
            " INSERT INTO liquid (name, permittivity, note)"
            " SELECT 'x', 80.0, file FROM pragma_database_list; END"
        ),
    ),
}


@pytest.mark.parametrize("what", PREPARED)
def test_a_prepared_file_reaches_nothing_but_its_tables(new_store: Store, tmp_path: Path, what: str) -> None:
    """A view or trigger in another's file that asks SQLite where on this computer it lies, by a table that is
    made up (sqlite.org/pragma.html, trusted_schema), does not get that far, and nothing comes in.
    """
    pinned, statement = PREPARED[what]
    other = Path(shutil.copy(PINNED.with_name(pinned), tmp_path / "other.db"))
    with closing(sqlite3.connect(other)) as connection:
        connection.executescript(statement)
    before = content(new_store)
    with pytest.raises(StoreError, match=r"other\.db: a view or trigger .* \(unsafe use of"):
        new_store.merge(other)
    assert content(new_store) == before


def test_files_that_cannot_be_merged(new_store: Store, tmp_path: Path) -> None:
    """The store itself, a file that is not there, and one that is no store are refused."""
    with pytest.raises(InputError, match="is the store itself"):
        new_store.merge(new_store.path)
    with pytest.raises(StoreError, match="no such file"):
        new_store.merge(tmp_path / "none.db")
    assert not (tmp_path / "none.db").exists()
    text = tmp_path / "text.db"
    text.write_text("no store")
    with pytest.raises(StoreError, match="not a store"):
        new_store.merge(text)
