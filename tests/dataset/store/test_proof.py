"""Whatever is changed behind the tool's back is told: any column of any table, the schema, single bits."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from every_table import noise
from stores import behind_the_back, every_row

from dataset.errors import StoreError
from dataset.records import Frames
from dataset.store import Store, admitting
from dataset.store.tables import Base
from dataset.store.whole.backup import backup
from dataset.store.whole.integrity import check_store

if TYPE_CHECKING:
    from building import Bench


def other(value: Any) -> Any:
    """A value of the same type that is another."""
    if isinstance(value, bytes):
        return value[:-1] + bytes([value[-1] ^ 1])
    if isinstance(value, str):
        return value + "x"
    return value + 1000


def change_one(path: Path, table: str, column: str) -> None:
    """Change one value behind the tool's back, and leave the schema as it was."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("BEGIN")  # one write in all: there are some sixty guards
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        key, value = connection.execute(
            f"SELECT rowid, {column} FROM {table} ORDER BY {column} IS NULL, rowid LIMIT 1"  # noqa: S608 - mapped names
        ).fetchone()
        connection.execute(
            f"UPDATE {table} SET {column} = ? WHERE rowid = ?",  # noqa: S608 - mapped names
            (1 if value is None else other(value), key),
        )
        for _, sql in guards:
            connection.execute(sql)
        connection.execute("COMMIT")


@pytest.mark.longer
@pytest.mark.parametrize("every", [30, pytest.param(3, marks=pytest.mark.slow)])
def test_a_change_of_any_column_is_told(filled: Path, tmp_path: Path, every: int) -> None:
    """One value of one column changed, whatever table: the check says that something is wrong."""
    assert check_store(filled).sound
    silent = []
    everything = [column for table in Base.metadata.sorted_tables for column in table.columns]
    columns = [
        column for column in everything if column.name not in ("id", "sequence")
    ]  # a store's own count
    for column in columns[::every]:
        path = Path(shutil.copy(filled, tmp_path / "store.db"))
        change_one(path, column.table.name, column.name)
        if check_store(path).sound:
            silent.append(str(column))
        for end in ("-wal", "-shm"):
            path.with_name(path.name + end).unlink(missing_ok=True)
    assert silent == []


@pytest.mark.longer
@pytest.mark.parametrize("flips", [10, pytest.param(50, marks=pytest.mark.slow)])
def test_single_bits(filled: Path, tmp_path: Path, flips: int) -> None:
    """Single bits, each in a fresh copy: the check tells, or every row of every table is as it was."""
    before, content = every_row(filled), filled.read_bytes()
    draw, told, silent = np.random.default_rng(11), 0, []
    pages = np.frombuffer(content, np.uint8).reshape(-1, 4096)  # each table, small or large, has some
    for _ in range(flips):
        page = int(draw.integers(len(pages)))
        at, bit = page * 4096 + int(draw.choice(np.flatnonzero(pages[page]))), int(draw.integers(8))
        flipped = bytearray(content)
        flipped[at] ^= 1 << bit
        copy = tmp_path / "flipped.db"
        copy.write_bytes(flipped)
        for end in ("-wal", "-shm"):
            copy.with_name(copy.name + end).unlink(missing_ok=True)
        try:
            sound = check_store(copy).sound
        except StoreError:
            sound = False
        if not sound:
            told += 1
            continue
        if every_row(copy) != before:
            silent.append((at, bit))
    print(f"{flips} bits: {told} told, {flips - told - len(silent)} harmless, {len(silent)} silent")
    assert silent == []
    assert told > flips / 2


@pytest.mark.longer
@pytest.mark.parametrize(
    ("statement", "what"),
    [
        ("DROP TRIGGER guard_model_update", "trigger guard_model_update"),
        ("DROP INDEX ix_capture_session_readings_sha256", "index ix_capture_session_readings_sha256"),
        ("ALTER TABLE unit ADD COLUMN colour TEXT", "table unit"),
        ("CREATE TABLE mine (id INTEGER)", "table mine"),
        (
            "CREATE TRIGGER late AFTER INSERT ON unit BEGIN DELETE FROM mapping; END",
            "trigger late",
        ),
    ],
)
def test_another_schema_is_told(filled: Path, tmp_path: Path, statement: str, what: str) -> None:
    """A trigger or an index that is gone, and a column, table or trigger that nobody made, are named."""
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(statement)
        connection.commit()
    assert [fault.what for fault in check_store(path).faults] == [what]


@pytest.mark.parametrize(
    ("statement", "what", "how"),
    [
        ("DELETE FROM prove_opening WHERE sequence = 1", "prove opening 2", "which is not there"),
        (
            "DELETE FROM prove_opening",
            "model m",
            "0 openings of its prove groups are kept; expected at least 1",
        ),
        ("UPDATE model SET metrics = replace(metrics, '0.5', '0.4')", "model m", "its content hashes to"),
        ("DELETE FROM frame_block WHERE session_id = 1", "session", "0 frames are there; expected 60"),
    ],
)
def test_what_was_taken_out_is_told(
    filled: Path, tmp_path: Path, statement: str, what: str, how: str
) -> None:
    """An opening from the middle of the chain, all openings of a model that counted one, an edited error, a
    session's blocks.
    """
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    behind_the_back(path, statement)
    faults = [fault for fault in check_store(path).faults if how in fault.sentence]
    assert faults
    assert faults[0].what.startswith(what)


def test_a_recording_that_is_there_twice_is_warned_of(
    template: Path, tmp_path: Path, register: Callable[[Store], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store that took one recording for two opens; the check passes and warns, until one is void; merged,
    both come along and are named.
    """
    path = Path(shutil.copy(template, tmp_path / "old.db"))
    with Store.open(path) as store, monkeypatch.context() as patch:
        patch.setattr(admitting, "refuse_twin", lambda *_: None)  # as it was before counts were looked at
        bench, warm = register(store), noise(1)
        first, second = store.add_sessions(
            [bench.session(1, frames=warm), bench.session(2, frames=Frames(warm.t_ms, warm.counts))]
        )
    report = check_store(path)
    assert report.sound
    (warning,) = report.warnings
    assert (warning.what, first.id in warning.sentence) == (f"session {second.id}", True)
    with Store.open(path) as store, Store.open(shutil.copy(template, tmp_path / "new.db")) as new:
        remarks = new.merge(path).remarks
        assert [f"the counts of session {first.id}" in remark for remark in remarks] == [True]
        store.void(second.id, "logged twice")
    assert check_store(path).warnings == ()


def test_a_record_that_was_edited_does_not_come_in(filled: Path, template: Path, tmp_path: Path) -> None:
    """A merge hashes what comes in again, and names the other store and the record."""
    path = Path(shutil.copy(filled, tmp_path / "other.db"))
    behind_the_back(path, "UPDATE budget SET cycles = cycles + 1")
    with (
        Store.open(shutil.copy(template, tmp_path / "new.db")) as new,
        pytest.raises(StoreError, match=r"other\.db, budget small: its content hashes to"),
    ):
        new.merge(path)


@pytest.mark.longer
def test_a_merged_store_is_sound(filled: Path, template: Path, tmp_path: Path) -> None:
    """Everything that came in has its hash, and the check of the new store says so."""
    path = Path(shutil.copy(template, tmp_path / "new.db"))
    with Store.open(path) as new:
        assert new.merge(filled).new > 0
        (frozen,) = new.frozen_sets()
        assert new.prove_purposes(frozen) == ("train m", "compare m")
    report = check_store(path)
    assert (report.faults, report.hashed_by_upgrade) == ((), 0)


def test_copies_are_sound(filled: Path, template: Path, tmp_path: Path) -> None:
    """A backup holds the same rows, hashes included; the registry written as text and read into a new store
    gets hashes there, the same where the record is.
    """
    copy = tmp_path / "copy.db"
    backup(Path(shutil.copy(filled, tmp_path / "store.db")), copy)
    assert every_row(copy) == every_row(filled)
    path = Path(shutil.copy(template, tmp_path / "text.db"))
    with Store.open(copy) as store, Store.open(path) as new:
        assert new.from_text(store.to_text()).merged.new > 0
    assert check_store(path).faults == ()
    for table in ("tank", "budget", "unit"):
        hashes, copied = ({row["record_sha256"] for row in rows_of(file, table)} for file in (filled, path))
        assert hashes == copied


def rows_of(path: Path, table: str) -> list[dict[str, Any]]:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute(f"SELECT * FROM {table}")]  # noqa: S608 - a mapped name
