"""The file behind a store: recognised, made, upgraded with a copy kept, refused, waited for."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy.exc import IntegrityError

from dataset.errors import StoreError
from dataset.records import Unit
from dataset.store import Store
from dataset.store.database import HISTORY, History, prepare
from dataset.store.reachable import APPLICATION_ID
from dataset.store.tables import PadRow

pytestmark = pytest.mark.usefixtures("migrating")

# a later version of the tool, as far as the store is concerned
NEXT = """
from alembic import op
import sqlalchemy as sa

revision = "9999_next"
down_revision = "{head}"
branch_labels = None
depends_on = None


def upgrade():
    op.create_table("later", sa.Column("id", sa.Integer(), primary_key=True))
"""


@pytest.fixture
def later(tmp_path: Path) -> History:
    """The history of a later version: ours and one revision more."""
    folder = tmp_path / "50%s of later versions"
    folder.mkdir()
    (folder / "9999_next.py").write_text(NEXT.format(head=HISTORY.head))
    return History((*HISTORY.revisions, "9999_next"), (*HISTORY.folders, folder))


def _revision(path: Path) -> str:
    with closing(sqlite3.connect(path)) as connection:
        return str(connection.execute("SELECT version_num FROM alembic_version").fetchone()[0])


def test_pragmas_are_set_on_every_connection(new_store: Store) -> None:
    """WAL, full synchronising and enforced foreign keys hold for reading and for writing; the file says whose
    it is.
    """
    for session in (new_store._database.reading, new_store._database.writing):
        with session() as orm:
            found = [
                orm.connection().exec_driver_sql(f"PRAGMA {p}").scalar()
                for p in ("journal_mode", "synchronous", "foreign_keys", "application_id")
            ]
        assert found == ["wal", 2, 1, APPLICATION_ID]  # 2 is FULL: sqlite.org/pragma.html#pragma_synchronous


def test_a_row_that_refers_to_nothing_is_refused(new_store: Store) -> None:
    """Foreign keys are enforced, and the driver's error comes out as an error of the store."""
    with pytest.raises(StoreError, match="FOREIGN KEY") as caught, new_store._database.writing() as orm:
        orm.add(PadRow(sensor_id=99, channel=0, name="p", bottom_mm=0.0, height_mm=1.0, role="level"))
    assert isinstance(caught.value.__cause__, IntegrityError)


def test_writers_take_the_lock_at_once(new_store: Store) -> None:
    """Before its first statement a writer holds the lock; a reader holds none."""
    with closing(sqlite3.connect(new_store.path, timeout=0, isolation_level=None)) as rival:
        with new_store._database.reading() as orm:
            orm.connection()
            rival.execute("BEGIN IMMEDIATE")
            rival.execute("ROLLBACK")
        with new_store._database.writing() as orm:
            orm.connection()
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                rival.execute("BEGIN IMMEDIATE")


def test_a_busy_store_is_one_sentence(new_store: Store) -> None:
    """While another process writes, reading goes on and writing gives up after its time with one sentence
    that says what to do.
    """
    store = Store.open(new_store.path, timeout_s=0.05)
    with closing(sqlite3.connect(store.path, isolation_level=None)) as rival:
        rival.execute("BEGIN IMMEDIATE")
        assert store.units() == ()
        with pytest.raises(
            StoreError,
            match=r"another process was writing to it for more than 0.05 s. Nothing was changed; try again",
        ):
            store.add_unit(Unit("u"))
        rival.execute("ROLLBACK")
    store.add_unit(Unit("u"))


def test_an_older_store_is_upgraded_after_a_copy(
    new_store: Store, later: History, caplog: pytest.LogCaptureFixture
) -> None:
    """Opening an older store keeps a copy that carries the old revision in its name, upgrades,
    and says both.
    """
    new_store.add_unit(Unit("kept"))
    with caplog.at_level(logging.WARNING):
        opened = Store.open(new_store.path, history=later)
    copy = new_store.path.with_name(f"new.db.{HISTORY.head}.copy")
    assert (_revision(new_store.path), _revision(copy)) == ("9999_next", HISTORY.head)
    assert opened.units() == Store.open(copy).units() == (Unit("kept"),)
    assert caplog.messages == [
        (
            f"store {new_store.path}: upgraded from revision {HISTORY.head} to 9999_next; the store "
            f"as it was is kept as {copy.name}"
        )
    ]
    Store.open(new_store.path, history=later)
    assert sorted(p.name for p in new_store.path.parent.glob("new.db*")) == ["new.db", copy.name]


def test_a_copy_is_never_overwritten(new_store: Store, later: History) -> None:
    """When a copy of that name is there, the next one gets a number."""
    first = new_store.path.with_name(f"new.db.{HISTORY.head}.copy")
    first.write_text("an earlier copy")
    Store.open(new_store.path, history=later)
    assert first.read_text() == "an earlier copy"
    assert _revision(Path(f"{first}2")) == HISTORY.head


def test_a_newer_store_is_refused_untouched(new_store: Store, later: History) -> None:
    """A store of a later version is refused with what to do, and not a byte of it changes."""
    Store.open(new_store.path, history=later)
    before = new_store.path.read_bytes()
    with pytest.raises(
        StoreError,
        match=rf"newer version of innage \(revision 9999_next\); expected at most {HISTORY.head}. "
        r"Install that version",
    ):
        Store.open(new_store.path)
    assert new_store.path.read_bytes() == before


def _foreign(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE alembic_version (version_num TEXT)")
        connection.execute("INSERT INTO alembic_version VALUES (?)", (HISTORY.head,))
        connection.commit()


def _half(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("CREATE TABLE something (x)")
        connection.commit()


@pytest.mark.parametrize(
    "make",
    [
        lambda path: path.write_text("t,c\n0,1\n"),
        lambda path: path.write_bytes(b"SQLite format 3\0" + b"\1" * 5000),
        lambda path: path.mkdir(),
        _foreign,
        _half,
    ],
    ids=["text", "damaged", "folder", "another tool's database", "no revision"],
)
def test_what_is_no_store_is_refused_untouched(tmp_path: Path, make: Callable[[Path], None]) -> None:
    """Text, a damaged file, a folder, and databases of other tools are refused, and stay as they are."""
    path = tmp_path / "other.db"
    make(path)
    before = path.read_bytes() if path.is_file() else b""
    with pytest.raises(StoreError, match="is not a store of innage"):
        Store.open(path)
    assert (path.read_bytes() if path.is_file() else b"") == before
    assert [p.name for p in tmp_path.iterdir()] == ["other.db"]


def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    """A file without a byte, as a failed first opening leaves it, is a new store."""
    path = tmp_path / "empty.db"
    path.touch()
    assert Store.open(path).tanks() == ()


def test_a_folder_that_is_missing_is_named(tmp_path: Path) -> None:
    """A store in a folder that does not exist is refused, and the folder not made."""
    with pytest.raises(StoreError, match=r"folder .*nowhere does not exist"):
        Store.open(tmp_path / "nowhere" / "x.db")
    assert not (tmp_path / "nowhere").exists()


def test_odd_paths(tmp_path: Path, later: History) -> None:
    """Percent signs, blanks, question marks and letters beyond ASCII in the path change nothing."""
    folder = tmp_path / "50 % füll?"
    folder.mkdir()
    path = folder / "ä%20b.db"
    Store.open(path).add_unit(Unit("u"))
    prepare(path, history=later)
    assert sorted(p.name for p in folder.iterdir()) == ["ä%20b.db", f"ä%20b.db.{HISTORY.head}.copy"]
