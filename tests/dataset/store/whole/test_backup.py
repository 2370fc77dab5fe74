"""Backups hold what the store held, and restoring puts back exactly that or nothing."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from dataset.errors import InputError, StoreError
from dataset.records import Unit
from dataset.store import Store
from dataset.store.whole.backup import Backup, backup, content_sha256, file_sha256, restore
from dataset.store.whole.integrity import check_store

if TYPE_CHECKING:
    from building import Bench

STORES = Path(__file__).parents[3] / "data" / "stores"


@pytest.fixture
def store(new_store: Store, register: Callable[[Store], Bench]) -> Store:
    """A store with two sessions."""
    bench = register(new_store)
    new_store.add_sessions([bench.session(1), bench.session(2)])
    return new_store


@pytest.fixture
def made(store: Store, tmp_path: Path) -> Backup:
    """Its backup, after which one more unit was added."""
    made = backup(store.path, tmp_path / "monday.backup")
    store.add_unit(Unit("later"))
    return made


def content(path: Path) -> str:
    with closing(sqlite3.connect(path)) as connection:
        return content_sha256(connection)


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_backup_holds_the_same_rows_in_one_file(store: Store, tmp_path: Path) -> None:
    """Content and hash are as said, nothing stands beside it, and it is a sound store."""
    made = backup(store.path, tmp_path / "b.db")
    assert made.content_sha256 == content(store.path) == content(made.path)
    assert made.sha256 == file_sha256(made.path)
    assert [n for n in names(tmp_path) if n.startswith((".", "b.db"))] == ["b.db"]
    assert check_store(made.path).sound


def test_a_backup_while_another_writes(store: Store, tmp_path: Path) -> None:
    """A writer that holds the lock is not waited for, and what it has not committed is not in the copy."""
    with closing(sqlite3.connect(store.path, isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("INSERT INTO unit (name, note, bench_id, identity) VALUES ('half', '', 1, '')")
        made = backup(store.path, tmp_path / "b.db", timeout_s=0.1)
        writer.execute("COMMIT")
    with Store.open(made.path) as copy:
        assert [u.name for u in copy.units()] == ["unit1"]
    assert len(store.units()) == 2


def test_a_backup_is_never_overwritten(store: Store, tmp_path: Path) -> None:
    """A file that is there, whatever it is, stays."""
    (tmp_path / "b.db").write_text("something")
    with pytest.raises(InputError, match="is there already"):
        backup(store.path, tmp_path / "b.db")
    assert (tmp_path / "b.db").read_text() == "something"


def test_restoring_where_nothing_is(made: Backup, tmp_path: Path) -> None:
    """The store is there again, with the rows it had; a stale file of SQLite's beside the place
    does no harm.
    """
    (tmp_path / "again.db-wal").write_bytes(b"of a store that was removed by hand")
    assert restore(made.path, tmp_path / "again.db", made.sha256) is None
    assert content(tmp_path / "again.db") == made.content_sha256


def test_restoring_over_a_store(store: Store, made: Backup) -> None:
    """Only when told to; the store that was there is kept whole under another name, and the next one gets a
    number of its own.
    """
    now = content(store.path)
    with pytest.raises(InputError, match="is there already"):
        restore(made.path, store.path, made.sha256)
    assert content(store.path) == now
    kept = restore(made.path, store.path, made.sha256, replace=True)
    assert kept is not None
    assert (content(store.path), content(kept)) == (made.content_sha256, now)
    second = restore(made.path, store.path, made.sha256, replace=True)
    assert second is not None
    assert second.name == "new.db.before-restore2"


def test_restoring_over_a_damaged_store(store: Store, made: Backup) -> None:
    """A store that SQLite cannot open any more can be replaced, and is kept as it is."""
    store.path.write_bytes(b"SQLite format 3\0" + b"\1" * 5000)
    kept = restore(made.path, store.path, made.sha256, replace=True)
    assert kept is not None
    assert kept.read_bytes().endswith(b"\1" * 5000)
    assert check_store(store.path).sound


def test_a_store_in_use_is_not_replaced(store: Store, made: Backup) -> None:
    """While another process writes, restoring gives up after its time and changes nothing."""
    with closing(sqlite3.connect(store.path, isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("INSERT INTO unit (name, note, bench_id, identity) VALUES ('half', '', 1, '')")
        with pytest.raises(StoreError, match="another process was using it"):
            restore(made.path, store.path, made.sha256, replace=True, timeout_s=0.05)
        writer.execute("COMMIT")
    assert [u.name for u in store.units()] == ["half", "later", "unit1"]


@pytest.mark.parametrize("at", [0, 20, 5000, -1])
def test_a_changed_backup_is_refused(store: Store, made: Backup, at: int) -> None:
    """One bit is enough; the store stays as it is."""
    changed, now = bytearray(made.path.read_bytes()), content(store.path)
    changed[at] ^= 1
    made.path.write_bytes(changed)
    with pytest.raises(InputError, match="its bytes hash to"):
        restore(made.path, store.path, made.sha256, replace=True)
    assert content(store.path) == now


def test_an_older_store_is_backed_up_as_it_is(tmp_path: Path) -> None:
    """A backup upgrades nothing: it holds the revision that the store has."""
    oldest = min(STORES.glob("*.db"))
    shutil.copy(oldest, tmp_path / "old.db")
    made = backup(tmp_path / "old.db", tmp_path / "b.db")
    assert made.revision == oldest.stem
    assert made.content_sha256 == content(tmp_path / "old.db")


def test_no_room_no_backup(store: Store, tmp_path: Path) -> None:
    """A folder that is not there is said, and nothing is left behind."""
    before = names(tmp_path)
    with pytest.raises(
        InputError, match=r"there is no folder .*nowhere; expected a folder that is there\. Make it first"
    ):
        backup(store.path, tmp_path / "nowhere" / "b.db")
    assert names(tmp_path) == before


def test_a_store_that_is_damaged_is_not_backed_up(store: Store, tmp_path: Path) -> None:
    """A copy of what cannot be read whole would be trusted one day."""
    store.close()
    whole = store.path.read_bytes()
    store.path.write_bytes(whole[: len(whole) // 2 // 4096 * 4096])
    with pytest.raises(StoreError, match="damaged"):
        backup(store.path, tmp_path / "b.db")
    assert "b.db" not in names(tmp_path)


@pytest.mark.skipif(os.name != "posix", reason="modes as POSIX has them")
@pytest.mark.parametrize("mode", [0o600, 0o640])
def test_copies_are_read_by_nobody_else(store: Store, tmp_path: Path, mode: int) -> None:
    """A backup, and a store that is put back, have the mode of the store that they stand for."""
    store.path.chmod(mode)
    copy = backup(store.path, tmp_path / "b.db")
    assert copy.path.stat().st_mode & 0o777 == mode
    copy.path.chmod(0o644)
    kept = restore(copy.path, store.path, copy.sha256, replace=True)
    assert kept is not None
    assert kept.stat().st_mode & 0o777 == store.path.stat().st_mode & 0o777 == mode
    copy.path.chmod(mode)
    restore(copy.path, tmp_path / "new-place.db", copy.sha256)
    assert (tmp_path / "new-place.db").stat().st_mode & 0o777 == mode


@pytest.mark.skipif(os.name != "posix", reason="links as POSIX has them")
def test_restoring_through_a_link_leaves_one_store(store: Store, made: Backup, tmp_path: Path) -> None:
    """The link goes on pointing at the store, now the backup's; the one that was there stands beside it."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    link = elsewhere / "link.db"
    link.symlink_to(store.path)
    kept = restore(made.path, link, made.sha256, replace=True)
    assert kept is not None
    assert kept.parent == store.path.parent
    assert link.is_symlink()
    assert names(elsewhere) == ["link.db"]
    assert content(store.path) == made.content_sha256


@pytest.mark.longer
@pytest.mark.skipif(os.name != "posix", reason="modes as POSIX has them")
def test_the_copy_before_an_upgrade_is_read_by_nobody_else(tmp_path: Path) -> None:
    """It holds what the store held."""
    path = tmp_path / "old.db"
    shutil.copy(min(STORES.glob("*.db")), path)
    path.chmod(0o600)
    Store.open(path).close()
    (copy,) = tmp_path.glob("old.db.*.copy")
    assert copy.stat().st_mode & 0o777 == 0o600
