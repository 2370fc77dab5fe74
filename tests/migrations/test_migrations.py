"""Migrations lose no row, happen whole or not at all, and make the tables that the code maps."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.migration import MigrationContext
from alembic.operations import Operations
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, Float, MetaData, create_engine, inspect

import migrations
from dataset.errors import StoreError
from dataset.records import CountLaw, Pad, Sensor
from dataset.store import Store
from dataset.store.database import HISTORY, History, migration_config, upgrade
from dataset.store.tables import Base

HEAD = """
import sqlalchemy as sa
from alembic import op

revision = "9001_throw_away"
down_revision = "{head}"
branch_labels = None
depends_on = None


def upgrade():
"""
REWRITE_PARENT = """    with op.batch_alter_table("sensor") as batch:
        batch.alter_column("period_ms", type_=sa.Float(), existing_type=sa.Integer())
"""
FAIL_HALF_WAY = """    op.add_column("unit", sa.Column("colour", sa.Text()))
    with op.batch_alter_table("liquid") as batch:
        batch.alter_column("note", new_column_name="remark")
    op.execute("INSERT INTO unit (id, name, note, bench_id, identity) VALUES (77, 'half', '', 1, '')")
    op.execute("SELECT * FROM no_such_table")
"""
LEAVE_ORPHANS = """    op.execute("DROP TRIGGER guard_sensor_delete")
    op.execute("DELETE FROM sensor")
"""


def chained(folder: Path, body: str) -> History:
    """Our history with one throw-away revision more, whose ``upgrade`` is ``body``."""
    folder.mkdir(exist_ok=True)
    (folder / "9001_throw_away.py").write_text(HEAD.format(head=HISTORY.head) + body)
    return History((*HISTORY.revisions, "9001_throw_away"), (*HISTORY.folders, folder))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store with one sensor of three pads: a parent whose children cascade."""
    store = Store.open(tmp_path / "store.db")
    store.add_sensor(
        Sensor("strip", 0, tuple(Pad(k, f"p{k}", 10.0 * k, 10.0) for k in range(3)), 16, CountLaw.RISES, 100)
    )
    return store.path


def rows(path: Path, statement: str) -> list[Any]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(statement).fetchall()


def schema(path: Path) -> list[Any]:
    return rows(path, "SELECT type, name, sql FROM sqlite_master ORDER BY type, name") + rows(
        path, "SELECT * FROM alembic_version"
    )


def test_a_rewritten_parent_keeps_its_children(path: Path, tmp_path: Path) -> None:
    """Through our environment a batch rewrite of a parent table leaves every child row of its ON DELETE
    CASCADE.
    """
    before = rows(path, "SELECT * FROM pad")
    upgrade(path, history=chained(tmp_path / "versions", REWRITE_PARENT))
    assert rows(path, "SELECT * FROM pad") == before
    assert len(before) == 3
    assert rows(path, "SELECT typeof(period_ms) FROM sensor") == [("real",)]
    assert rows(path, "PRAGMA foreign_key_check") == []


def test_without_our_environment_the_children_are_lost(path: Path) -> None:
    """The same rewrite with foreign keys enforced empties the child table without an error: what the
    environment is for.

    Source of the hazard: sqlite.org/lang_altertable.html, 'DROP TABLE' under enforced foreign keys does an
    implicit DELETE.
    """
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(
            "DROP TRIGGER guard_pad_delete"
        )  # with it, the guard would stop the loss with an error
        connection.commit()
    engine = create_engine(f"sqlite:///{path}")
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA foreign_keys=ON")
        with (
            Operations.context(MigrationContext.configure(connection)) as op,
            op.batch_alter_table("sensor") as batch,
        ):
            batch.alter_column("period_ms", type_=Float())
        connection.commit()
    engine.dispose()
    assert rows(path, "SELECT count(*) FROM sensor") == [(1,)]
    assert rows(path, "SELECT count(*) FROM pad") == [(0,)]


def test_a_migration_that_fails_half_way_leaves_nothing(
    path: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Schema, rows and revision are as they were, no upgrade is reported, and a second, mended
    attempt works.
    """
    before = schema(path)
    with pytest.raises(StoreError, match="no_such_table"):
        upgrade(path, history=chained(tmp_path / "versions", FAIL_HALF_WAY))
    assert schema(path) == before
    assert rows(path, "SELECT * FROM unit") == []
    assert caplog.messages == []
    mended = FAIL_HALF_WAY.replace("no_such_table", "unit")
    upgrade(path, history=chained(tmp_path / "mended", mended))
    assert rows(path, "SELECT name, colour FROM unit") == [("half", None)]
    assert rows(path, "SELECT version_num FROM alembic_version") == [("9001_throw_away",)]


def test_a_migration_that_leaves_orphans_is_undone(path: Path, tmp_path: Path) -> None:
    """References are checked before the commit; the error names a row, and the store is as it was."""
    before = schema(path)
    with pytest.raises(StoreError, match=r"3 rows would refer to nothing \(first: row 1 of pad, to sensor\)"):
        upgrade(path, history=chained(tmp_path / "versions", LEAVE_ORPHANS))
    assert schema(path) == before
    assert rows(path, "SELECT count(*) FROM sensor") == [(1,)]


def test_the_list_of_revisions(path: Path) -> None:
    """The revisions that opening knows, and that its error messages speak of, are those in the folder, oldest
    first.
    """
    script = ScriptDirectory.from_config(migration_config(path))
    assert tuple(r.revision for r in script.walk_revisions())[::-1] == migrations.REVISIONS
    assert [Path(r.path).stem for r in script.walk_revisions()][::-1] == list(migrations.REVISIONS)


def test_no_difference_that_alembic_sees(path: Path) -> None:
    """'alembic check' finds nothing to do between the migrated store and the mapped tables."""
    command.check(migration_config(path))


def reflected(engine: Engine) -> dict[str, Any]:
    """Everything SQLAlchemy can read back of each table, and the text SQLite keeps of its columns."""
    inspector = inspect(engine)
    found: dict[str, Any] = {}
    for table in inspector.get_table_names():
        if table == "alembic_version":
            continue
        found[table] = {
            "columns": [{k: str(v) for k, v in column.items()} for column in inspector.get_columns(table)],
            "primary key": inspector.get_pk_constraint(table),
            "foreign keys": sorted(inspector.get_foreign_keys(table), key=str),
            "unique": sorted(inspector.get_unique_constraints(table), key=str),
            "indexes": sorted(inspector.get_indexes(table), key=str),
            "checks": sorted(inspector.get_check_constraints(table), key=str),
        }
    return found


@pytest.mark.longer
def test_migrated_and_mapped_tables_are_the_same(path: Path, tmp_path: Path) -> None:
    """A database made by the migrations and one made from the mapped tables, read back, equal each other."""
    mapped = create_engine(f"sqlite:///{tmp_path / 'mapped.db'}")
    Base.metadata.create_all(mapped)
    migrated = create_engine(f"sqlite:///{path}")
    assert reflected(migrated) == reflected(mapped)
    assert len(reflected(migrated)) == len(Base.metadata.tables) == 55
    mapped.dispose()
    migrated.dispose()


def test_every_constraint_is_named(path: Path) -> None:
    """Each key, unique constraint and foreign key has a name, so that a later revision can refer to it."""
    engine = create_engine(f"sqlite:///{path}")
    metadata = MetaData()
    metadata.reflect(engine)
    engine.dispose()
    unnamed = [
        (t.name, c)
        for t in metadata.tables.values()
        for c in t.constraints
        if t.name != "alembic_version" and c.name is None
    ]
    assert unnamed == []


def test_stores_only_go_forward(path: Path) -> None:
    """A downgrade is refused and changes nothing."""
    before = schema(path)
    with pytest.raises(NotImplementedError, match="copy that was kept"):
        command.downgrade(migration_config(path), "base")
    assert schema(path) == before
