"""Stores that earlier versions wrote are upgraded without loss, and go on working."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from dataset.canonical import unit_sha256
from dataset.errors import InputError, StoreError
from dataset.records import GroupBy, Role, Tank, Unit
from dataset.store import Store
from dataset.store.database import HISTORY, History
from dataset.store.whole.integrity import check_store
from training.program import digest, from_json

PROOF = "0007_proof"  # from it on every record has a hash
STORES = Path(__file__).parent.parent / "data" / "stores"


def revision(path: Path) -> str:
    """The revision that a store says it has."""
    with closing(sqlite3.connect(path)) as connection:
        (found,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(found)


@pytest.mark.parametrize("old", HISTORY.revisions)
def test_a_store_of_each_revision_is_upgraded_and_used(old: str, tmp_path: Path) -> None:
    """A copy of an old one is kept, every session keeps its hash, the model its digest, exports their files;
    new records can be added.
    """
    path = tmp_path / "store.db"
    shutil.copy(STORES / f"{old}.db", path)
    assert revision(path) == old
    before = kept_hashes(path)
    with Store.open(path) as store:
        assert revision(path) == HISTORY.head
        assert {what: kept_hashes(path)[what] for what in before} == before  # what was there is as it was
        copies = [revision(copy) for copy in tmp_path.glob("store.db.*.copy")]
        assert copies == ([] if old == HISTORY.head else [old])
        (session,) = store.sessions()
        assert len(store.frames(session, verify=True)) == session.frames == 768
        (model,) = store.models()
        assert digest(from_json(model.program)) == model.sha256
        assert len(store.frozen_data(model.frozen).counts) == 768
        assert store.add_tank(Tank("bench-tank", 0, 150.0)).revision == 2
    with Store.open(path) as again:
        assert again.tank("bench-tank").span_mm == 150.0
    report = check_store(path)
    assert report.faults == ()
    assert (report.hashed_by_upgrade == 0) == (HISTORY.revisions.index(old) >= HISTORY.revisions.index(PROOF))


def test_the_upgrade_knows_units_that_are_one_by_their_serial(tmp_path: Path) -> None:
    """Revision 0007 knew two units that are one by the smaller identity, whichever it was; now one with a
    serial goes ahead. The rows of two such units are put into a store of 0007 as it would have them.
    """
    now, old = tmp_path / "now.db", tmp_path / "old.db"
    for path in (now, old):
        shutil.copy(STORES / f"{PROOF}.db", path)
    with Store.open(now) as store:
        bench, later = store.bench().identity, [f"{number:04d}" for number in range(40)]
        named = unit_sha256(Unit("mast", bench=bench))
        serial = next(s for s in later if unit_sha256(Unit("mast", "", s, bench)) > named)
        store.add_units([Unit("mast"), Unit("mast-2", serial=serial)])
        store.unite_units("mast", "mast-2", "the plate was read")
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        connection.execute("ATTACH ? AS now", (str(now),))
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("INSERT INTO unit SELECT * FROM now.unit WHERE name LIKE 'mast%'")
        connection.execute("INSERT INTO unit_union SELECT * FROM now.unit_union")
        connection.execute("UPDATE unit SET first_id = NULL")
    with Store.open(old) as store:
        assert store.unit("mast").serial == serial
    assert check_store(old).faults == ()


def kept_hashes(path: Path) -> dict[str, list[str]]:
    """The hashes of sessions, of their readings, of frozen sets, trims and revisions of marks."""
    with closing(sqlite3.connect(path)) as connection:
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
        hashed = (
            ("capture_session", "sha256"),
            ("capture_session", "readings_sha256"),
            ("frozen_set", "sha256"),
            ("trim", "sha256"),
            ("mark_revision", "sha256"),
        )
        return {
            f"{table}.{column}": [
                digest
                for (digest,) in connection.execute(f"SELECT {column} FROM {table} ORDER BY 1")  # noqa: S608 - from above
            ]
            for table, column in hashed
            if table in tables
        }


def rows(path: Path) -> dict[str, list[dict[str, object]]]:
    """Every row of every table but the revision's own, with what is NULL left out, and every statement that
    made the schema.
    """
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        tables = [
            name
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name != 'alembic_version'"
            )
        ]
        found = {
            # the names are the store's own
            name: connection.execute(f"SELECT * FROM {name} ORDER BY rowid").fetchall()  # noqa: S608 - as above
            for name in tables
        }
    return {
        name: [{key: row[key] for key in row.keys() if row[key] is not None} for row in its]  # noqa: SIM118 - a row iterates over values
        for name, its in found.items()
    }


def schema(path: Path) -> list[tuple[str, str, str]]:
    """Tables, indexes and guards as SQLite keeps them."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT type, name, sql FROM sqlite_master ORDER BY type, name").fetchall()


def test_an_upgrade_changes_nothing_that_is_there(tmp_path: Path) -> None:
    """From 0005 on every row stays what it was, but for the hashes that are new, the schema is that of a new
    store, and frozen sets keep their hashes and have no edges.
    """
    path = tmp_path / "store.db"
    shutil.copy(STORES / "0005_limits.db", path)
    before = rows(path)
    with Store.open(path) as store, Store.open(tmp_path / "new.db") as new:
        known = {name: {key for row in table for key in row} for name, table in before.items()}
        after = {
            name: [{key: row[key] for key in row if key in known[name]} for row in table]
            for name, table in rows(path).items()
            if name in known
        }
        assert after == before
        assert schema(path) == schema(new.path)
        (frozen,) = store.frozen_sets()
        assert [(frozen.sha256, frozen.edges_c)] == [(row["sha256"], ()) for row in before["frozen_set"]]
        with pytest.raises(InputError, match="no temperature was measured"):
            store.freeze(
                "bands", store.sessions(), GroupBy.TEMPERATURE, {"15..25 C": Role.FIT}, edges_c=(15.0, 25.0)
            )


@pytest.mark.longer
def test_openings_from_before_count_once_in_two_stores(tmp_path: Path) -> None:
    """Upgraded apart, two copies of a store give the openings that both know the same hashes: merged, none
    counts twice, and each bench's own come along.
    """
    left, right = (Path(shutil.copy(STORES / "0006_temperature.db", tmp_path / f"{n}.db")) for n in "ab")
    for path, purposes in ((left, ("shared", "left")), (right, ("shared", "right", "right"))):
        with closing(sqlite3.connect(path)) as connection:
            connection.executemany(
                "INSERT INTO prove_opening (frozen_set_id, purpose) VALUES (1, ?)", [(p,) for p in purposes]
            )
            connection.commit()
    with Store.open(left) as store, Store.open(right) as other:
        (frozen,) = store.frozen_sets()
        before = store.prove_purposes(frozen)
        store.merge(other.path)
        assert sorted(store.prove_purposes(frozen)) == sorted((*before, "right", "right"))
        count = store.open_prove(frozen, "after")
        other.merge(left)
        assert other.prove_openings(frozen) == count == len(before) + 3
    assert check_store(left).faults == check_store(right).faults == ()


def test_an_older_version_does_not_meet_a_word_that_it_lacks(tmp_path: Path) -> None:
    """A version that ends at 0005 says who wrote the store, in place of reading groups that it
    does not know.
    """
    path = tmp_path / "store.db"
    shutil.copy(STORES / "0006_temperature.db", path)
    older = History(HISTORY.revisions[: HISTORY.revisions.index("0005_limits") + 1], HISTORY.folders)
    with pytest.raises(
        StoreError, match=r"written by a newer version of innage \(revision 0006_temperature\)"
    ):
        Store.open(path, history=older)
