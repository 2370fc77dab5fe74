"""Long sessions go from store to store by a few blocks at a time, checked as short ones are."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import create_engine
from sqlalchemy.orm import Session as OrmSession

from building import bench_store, make_frames
from dataset import long_frames
from dataset.blocks import Block, to_blocks
from dataset.documents import Document
from dataset.errors import InputError, StoreError
from dataset.exchange import frames_table
from dataset.long_frames import LongFrames, as_arrays
from dataset.packed_columns import FORMAT
from dataset.readings_hashes import ReadingsHashes, columns_content
from dataset.records import Frames
from dataset.store import Store, admitting, stored_blocks
from dataset.store.exchange import packs
from dataset.store.stored_blocks import StoredBlocks

FRAMES, BLOCK, WINDOW = 2000, 64, 128
PINNED = Path(__file__).parents[2] / "data" / "stores" / "0001_first.db"


@pytest.fixture(autouse=True)
def short_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a session of thousands of frames is long."""
    for module in (long_frames, stored_blocks, packs):
        monkeypatch.setattr(module, "WINDOW", WINDOW)
    monkeypatch.setattr(long_frames, "_AHEAD", WINDOW)
    monkeypatch.setattr(long_frames, "_BLOCKS_AT_ONCE", 2)


@pytest.fixture
def stores(template: Path, tmp_path: Path) -> Iterator[tuple[Store, Store]]:
    """A store with a long session in many blocks, and an empty one."""
    with (
        Store.open(shutil.copy(template, tmp_path / "long.db")) as long,
        Store.open(shutil.copy(template, tmp_path / "here.db")) as here,
    ):
        packed = LongFrames(to_blocks(frames(), BLOCK), 2)
        long.add_sessions([bench_store(long).session(1, frames=packed)])  # type: ignore[arg-type]  # as log does
        yield long, here


def frames() -> Frames:
    return make_frames(3, FRAMES, warm=True)


def rows(store: Store, query: str = "SELECT * FROM frame_block ORDER BY session_id, position") -> list[Any]:
    with closing(sqlite3.connect(store.path)) as connection:
        return connection.execute(query).fetchall()


@pytest.fixture
def most(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many blocks were fetched at once, each time."""
    numbers: list[int] = []
    fetched = StoredBlocks.fetched

    def counting(self: StoredBlocks, start: int, stop: int) -> list[Block]:
        numbers.append(stop - start)
        return fetched(self, start, stop)

    monkeypatch.setattr(StoredBlocks, "fetched", counting)
    monkeypatch.setattr(admitting, "BLOCKS_AT_ONCE", 3)
    return numbers


def test_a_long_session_is_merged_by_a_few_blocks_at_a_time(
    stores: tuple[Store, Store], most: list[int]
) -> None:
    """Packed as it was, with every hash, and never whole."""
    long, here = stores
    here.merge(long.path)
    assert rows(here) == rows(long)
    assert len(rows(here)) == -(-FRAMES // BLOCK)
    (session,) = here.sessions()
    assert session == long.sessions()[0]
    np.testing.assert_array_equal(here.frames(session, verify=True).counts, frames().counts)
    assert 0 < max(most) <= 3


def test_damage_is_found_before_anything_is_written(stores: tuple[Store, Store]) -> None:
    """A block with a flipped bit, whose check sum is not told: the sentence names the other store and the
    session, and nothing came in.
    """
    long, here = stores
    (counts,) = rows(long, "SELECT counts FROM frame_block WHERE position = 20")[0]
    middle = len(counts) // 2
    broken = counts[:middle] + bytes([counts[middle] ^ 1]) + counts[middle + 1 :]
    change(long, "UPDATE frame_block SET counts = ? WHERE position = 20", broken)
    with pytest.raises(StoreError, match=rf"long\.db, session {long.sessions()[0].id}"):
        here.merge(long.path)
    assert not here.sessions()
    assert not here.tanks()


def test_other_frames_than_were_sealed(stores: tuple[Store, Store]) -> None:
    """Whole blocks, in another order or with one too few, are not what the session is known by."""
    long, here = stores
    change(long, "UPDATE frame_block SET position = 1000 WHERE position = 3")
    with pytest.raises(StoreError, match=r"long\.db, session"):
        here.merge(long.path)
    change(long, "DELETE FROM frame_block WHERE position = 1000")
    with pytest.raises(StoreError, match=f"{FRAMES - BLOCK} frames are there; expected {FRAMES}"):
        here.merge(long.path)
    assert not here.sessions()


def test_a_block_that_changes_while_it_is_read(stores: tuple[Store, Store]) -> None:
    """What was hashed is what is written, or nothing is."""
    long, _ = stores
    engine = create_engine(f"sqlite:///{long.path}")
    with OrmSession(engine) as orm:
        stored = StoredBlocks(orm, long.sessions()[0].sha256)
        first, second = stored[0], stored[1]
        assert stored[0] == first
        change(long, "UPDATE frame_block SET counts = ? WHERE position = 0", second.counts)
        orm.rollback()
        assert stored[1] == second
        with pytest.raises(StoreError, match="changed while they were read"):
            stored[0]
    engine.dispose()


@pytest.mark.longer
def test_older_blocks_are_packed_as_today(template: Path, tmp_path: Path) -> None:
    """Sessions of the first revision of a store come in, in blocks of the newest format."""
    pinned = tmp_path / "first.db"
    shutil.copy(PINNED, pinned)
    with closing(sqlite3.connect(pinned)) as connection:
        assert connection.execute("SELECT DISTINCT format FROM frame_block").fetchall() == [(1,)]
    with Store.open(shutil.copy(template, tmp_path / "here.db")) as here:
        here.merge(pinned)
        assert rows(here, "SELECT DISTINCT format FROM frame_block") == [(FORMAT,)]
        for session in here.sessions():
            here.frames(session, verify=True)


def test_packs_of_a_long_session(stores: tuple[Store, Store], most: list[int]) -> None:
    """Over a line too it stays packed; each pack is made of its own blocks, and a damaged one is refused."""
    long, _ = stores
    (session,) = long.sessions()
    names = long.pack_names(session.sha256)
    sent = [long.pack(session.sha256, place) for place in range(len(names))]
    document = Document("session", session.sha256, {"columns": columns_content(frames())})
    back = packs.from_packs(document, sent)
    assert isinstance(back, LongFrames)
    assert columns_content(back) == columns_content(frames())
    np.testing.assert_array_equal(as_arrays(back).counts, frames().counts)
    at = len(sent[0]) - 40
    broken = sent[0][:at] + bytes([sent[0][at] ^ 1]) + sent[0][at + 1 :]
    with pytest.raises(InputError, match="damaged"):
        packs.from_packs(document, [broken, *sent[1:]])


def test_hashes_of_packed_frames_are_those_of_arrays() -> None:
    """Found block by block, when they are asked for."""
    packed = LongFrames(to_blocks(frames(), BLOCK), 2)
    assert ReadingsHashes.of(packed) == ReadingsHashes.of(frames())


def test_a_table_of_packed_frames_has_the_same_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parquet that is written by windows is that of arrays, group by group."""
    monkeypatch.setattr(frames_table, "GROUP_ROWS", WINDOW)
    packed = LongFrames(to_blocks(frames(), BLOCK), 2)
    assert frames_table.to_parquet(packed) == frames_table.to_parquet(frames())


def change(store: Store, statement: str, *values: Any) -> None:
    """As somebody would who takes the guards off."""
    with closing(sqlite3.connect(store.path)) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(statement, values)
        connection.commit()
