"""A store with bytes changed in it: ``check_store`` names the session, and the others can still be read."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import StoreError
from dataset.records import ID_DIGITS, Frames, GroupBy, Mark, Role, Trim, TrimKind
from dataset.store import Store
from dataset.store.admitting import add_session
from dataset.store.sessions import rows_named
from dataset.store.whole import each
from dataset.store.whole.integrity import Fault, check_store, fill_up

if TYPE_CHECKING:
    from building import Bench

SESSIONS = 6
FRAMES = 700  # some 4 kB a session: each on a page of its own


@pytest.fixture(scope="module")
def filled(
    template: Path, tmp_path_factory: pytest.TempPathFactory, register: Callable[[Store], Bench]
) -> Path:
    """Six sessions, one amended and one void, a trim and a frozen set, all in one file with nothing beside
    it.
    """
    path = Path(shutil.copy(template, tmp_path_factory.mktemp("filled") / "new.db"))
    new_store = Store.open(path)
    bench = register(new_store)
    sessions = new_store.add_sessions([bench.session(seed, frames=noise(seed)) for seed in range(SESSIONS)])
    new_store.amend_marks(sessions[3].id, (Mark(0, 10, 16.0),), "A. Bench", "read off wrongly")
    new_store.void(sessions[4].id, "the hose came off")
    new_store.add_trim(Trim(bench.unit, bench.mounting, TrimKind.FULL, (40000, 40000), "2026-01-01", "bench"))
    new_store.freeze(
        "all",
        [s for k, s in enumerate(sessions) if k != 4],
        GroupBy.SESSION,
        {s.id: Role.FIT for k, s in enumerate(sessions) if k != 4},
    )
    with closing(sqlite3.connect(new_store.path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    new_store.close()
    return path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Store:
    """A copy of the filled store for one test."""
    return Store.open(shutil.copy(filled, tmp_path / "new.db"))


@pytest.fixture(scope="module")
def long(
    template: Path, tmp_path_factory: pytest.TempPathFactory, register: Callable[[Store], Bench]
) -> tuple[Path, str, int]:
    """A store with one session of ten blocks; its hash and the id of its row."""
    path = Path(shutil.copy(template, tmp_path_factory.mktemp("long") / "new.db"))
    frames = replace(noise(9), temperature_c=np.linspace(20, 30, FRAMES))
    with Store.open(path) as new_store:
        new = register(new_store).session(9, frames=frames)
        with new_store._database.writing() as orm:
            row = add_session(orm, new, block_frames=70)
            return path, row.sha256, row.id


def noise(seed: int) -> Frames:
    """Counts that do not pack."""
    draw = np.random.default_rng(seed)
    return Frames(
        np.arange(FRAMES, dtype=np.int64) * 100, draw.integers(0, 1 << 16, (FRAMES, 2)).astype(np.uint32)
    )


def change(path: Path, *statements: str) -> None:
    """Change rows behind the tool's back, past the guards of the schema, which stand again afterwards."""
    with closing(sqlite3.connect(path)) as connection:
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        for _, guard in guards:
            connection.execute(guard)
        connection.commit()


def test_a_sound_store(store: Store) -> None:
    """Nothing is found, everything was looked at, and not a byte changes."""
    before = store.path.read_bytes()
    report = check_store(store.path)
    assert report.sound
    assert dict(report.checked) | {"session": SESSIONS, "trim": 1, "frozen set": 1, "tank": 1} == dict(
        report.checked
    )
    assert store.path.read_bytes() == before


@pytest.mark.longer
@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE mark SET level_mm = 15.5 WHERE session_id = 2 AND position = 0", "its content hashes to"),
        (
            "UPDATE frame_block SET counts = substr(counts, 1, 20) WHERE session_id = 2",
            "a block of frames is damaged",
        ),
        ("UPDATE frame_block SET t_ms = x'00' WHERE session_id = 2", "a block of frames is damaged"),
        ("UPDATE frame_block SET format = 9 WHERE session_id = 2", "blocks of format 9"),
    ],
)
def test_one_session_is_named(store: Store, statement: str, said: str) -> None:
    """The session whose content was changed is named, and the frozen set that holds its labels where those
    changed; no other is.
    """
    wrong = store.sessions()[1]
    change(store.path, statement)
    report = check_store(store.path)
    assert {f.what for f in report.faults} - {"frozen set all"} == {f"session {wrong.id}"}
    assert said in next(f.sentence for f in report.faults if f.what.startswith("session"))
    for other in (s for s in store.sessions() if s.id != wrong.id):
        assert len(store.frames(other, verify=True)) == other.frames


def test_an_amendment_that_was_changed(store: Store) -> None:
    """A later revision of marks has a hash too."""
    wrong = store.sessions()[3]
    change(store.path, "UPDATE mark_revision SET author = 'somebody else'")
    assert {f.what for f in check_store(store.path).faults} == {f"session {wrong.id}", "frozen set all"}


def test_a_reference_to_nothing(store: Store) -> None:
    """Rows that refer to rows that are not there are named by table and row."""
    change(
        store.path,
        "UPDATE capture_session SET unit_id = 77 WHERE id = 1",
    )
    whats = [f.what for f in check_store(store.path).faults]
    assert "row 1 of capture_session" in whats


def test_a_store_cut_short(store: Store, tmp_path: Path) -> None:
    """The file is said to be short and every session that is lost is named; filled up, the others are read
    with their hashes checked.
    """
    size = store.path.stat().st_size
    cut = tmp_path / "cut.db"
    cut.write_bytes(store.path.read_bytes()[: size - 3 * 4096 - 100])
    with pytest.raises(StoreError, match=r"the file is damaged.*integrity.check"):
        Store.open(cut)
    report = check_store(cut)
    assert report.faults[0] == Fault("file", f"it ends after {cut.stat().st_size} of {size} bytes")
    lost = {f.what.removeprefix("session ") for f in report.faults if f.what.startswith("session ")}
    left = [s for s in store.sessions() if s.id not in lost]
    assert lost
    assert left
    fill_up(cut, tmp_path / "filled.db")
    with Store.open(tmp_path / "filled.db") as opened:
        for session in left:
            assert len(opened.frames(session, verify=True)) == session.frames


def test_a_store_moved_away_while_it_is_open(store: Store, tmp_path: Path) -> None:
    """SQLite makes an empty file in its place: that is said, and not a name of a table alone."""
    store.path.rename(tmp_path / "away.db")
    with pytest.raises(StoreError, match=r"moved away or replaced.*put it back.*integrity.check"):
        store.units()
    store.path.unlink()
    (tmp_path / "away.db").rename(store.path)
    assert store.units()


def test_a_block_on_a_lost_page(store: Store, tmp_path: Path) -> None:
    """A page of zeros where frames were: the sessions on it are named, all others are read with their hashes
    checked.
    """
    copy = tmp_path / "zeroed.db"
    content = bytearray(store.path.read_bytes())
    with closing(sqlite3.connect(store.path)) as connection:
        (block,) = connection.execute("SELECT counts FROM frame_block WHERE session_id = 5").fetchone()
    page = content.index(block) // 4096
    content[page * 4096 : (page + 1) * 4096] = bytes(4096)
    copy.write_bytes(content)
    report = check_store(copy)
    named = {f.what.removeprefix("session ") for f in report.faults if f.what.startswith("session ")}
    lost, left = (
        [s for s in store.sessions() if s.id in named],
        [s for s in store.sessions() if s.id not in named],
    )
    assert store.sessions()[4] in lost
    assert left
    with Store.open(copy) as opened:
        for session in left:
            assert len(opened.frames(session, verify=True)) == session.frames
        for session in lost:
            with pytest.raises(StoreError, match=r"damaged|block|content"):
                opened.frames(session, verify=True)


def test_no_store_is_made(tmp_path: Path) -> None:
    """A check of a file that is not there does not make one."""
    with pytest.raises(StoreError, match="no such file"):
        check_store(tmp_path / "none.db")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.longer
@pytest.mark.parametrize("most_together", [0, 1 << 18])
def test_long_and_short_sessions_are_checked_alike(
    store: Store, monkeypatch: pytest.MonkeyPatch, most_together: int
) -> None:
    """Unpacked together or one by one, and where one of them fails: the others are sound, and all count."""
    monkeypatch.setattr(each, "MOST_FRAMES_TOGETHER", most_together)
    assert check_store(store.path).sound
    hurt = store.sessions()[2]
    change(store.path, "UPDATE capture_session SET readings_sha256 = 'ff' WHERE id = 3")
    report = check_store(store.path)
    assert [fault.what for fault in report.faults] == [f"session {hurt.id}"]
    assert dict(report.checked)["session"] == SESSIONS


@pytest.mark.longer
@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE frame_block SET counts = substr(counts, 1, 20) WHERE {block}", "is damaged"),
        ("UPDATE frame_block SET t_ms = x'00' WHERE {block}", "is damaged"),
        ("UPDATE frame_block SET temperature_c = substr(temperature_c, 1, 40) WHERE {block}", "is damaged"),
        ("UPDATE frame_block SET temperature_c = NULL WHERE {block}", "some blocks have no temperature"),
        ("UPDATE frame_block SET frames = frames + 1 WHERE {block}", "a block of frames holds"),
        ("UPDATE frame_block SET format = 1 WHERE {block}", "its content hashes to"),
        ("UPDATE frame_block SET format = 9 WHERE {block}", "blocks of format 9"),
        ("DELETE FROM frame_block WHERE {block}", "frames are there"),
        (
            "UPDATE frame_block SET counts = (SELECT counts FROM frame_block LIMIT 1) WHERE {block}",
            "its content hashes to",
        ),
        (
            "UPDATE frame_block SET position = 10 WHERE {block}",
            "its content hashes to",
        ),
        ("UPDATE capture_session SET counts_sha256 = 'ff' WHERE id = {id}", "its content hashes to"),
        ("UPDATE capture_session SET note = 'other' WHERE id = {id}", "its content hashes to"),
    ],
)
def test_damage_of_a_long_session_is_told(
    long: tuple[Path, str, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, statement: str, said: str
) -> None:
    """A session whose blocks are read one by one, each column of its last block but one changed, or their
    order, or what it says.
    """
    monkeypatch.setattr(each, "MOST_FRAMES_TOGETHER", 0)
    path, sha256, row_id = Path(shutil.copy(long[0], tmp_path / "long.db")), *long[1:]
    assert check_store(path).sound
    change(path, statement.format(id=row_id, block=f"session_id = {row_id} AND position = 8"))
    (fault,) = check_store(path).faults
    assert fault.what == f"session {sha256[:ID_DIGITS]}"
    assert said in fault.sentence


def test_a_check_asks_for_sound_sessions_together(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """One by one they are read only where something is wrong, so that it is named."""
    alone: list[object] = []
    one_by_one = each.check_session

    def counted(orm: OrmSession, key: int | str) -> None:
        alone.append(key)
        one_by_one(orm, key)

    monkeypatch.setattr("dataset.store.whole.integrity.check_session", counted)
    assert check_store(store.path).sound
    assert not alone
    change(store.path, "UPDATE capture_session SET counts_sha256 = 'ff' WHERE id = 2")
    assert not check_store(store.path).sound
    assert alone == sorted(session.sha256 for session in store.sessions())


def test_sessions_to_freeze_are_read_together(store: Store) -> None:
    """By whole hashes, in the order in which they are named; short ids find theirs as before."""
    sessions = [session for session in store.sessions() if session.void_reason is None]
    refs = [session.sha256 for session in reversed(sessions)]
    statements: list[str] = []
    with store._database.reading() as orm:
        driver: Any = orm.connection().connection.driver_connection
        driver.set_trace_callback(statements.append)
        assert [row.sha256 for row in rows_named(orm, refs)] == refs
        driver.set_trace_callback(None)
    of_sessions = [s for s in statements if "FROM capture_session" in s]
    assert len(of_sessions) == 1
    with store._database.reading() as orm:
        assert [row.sha256 for row in rows_named(orm, [sessions[0].id, refs[0]])] == [
            sessions[0].sha256,
            refs[0],
        ]
