"""How a revision runs: on a SQLite file, whole or not at all, without losing a row.

SQLite alters most things by rebuilding the table. Rebuilding a parent while foreign keys are enforced deletes
the rows of its cascading children, without an error; and the driver begins no transaction for schema
statements, so a migration that fails half-way would leave its leavings. Hence, in this order: enforcement off
on the driver's connection (inside a transaction the pragma does nothing), a real BEGIN, the revisions, a
check of every reference, and only then the commit.

``dataset.store.database`` starts it and hands over, in the configuration's attributes: ``database`` (path),
``timeout_s``, and ``before`` (called with the current revision once the write lock is held). A store on a
server is upgraded on the ``connection`` that is handed over, in its transaction.
"""

from __future__ import annotations

from typing import Any

from alembic import context
from sqlalchemy import URL, Connection, NullPool, create_engine, event

from dataset.errors import StoreError
from dataset.store.reachable import DISTRUSTING
from dataset.store.tables import Base


def _enforcement_off(driver_connection: Any, _record: object) -> None:
    driver_connection.execute("PRAGMA foreign_keys=OFF")
    driver_connection.execute(DISTRUSTING)


def _begin(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _check_references(connection: Connection, database: str) -> None:
    orphans = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if orphans:
        table, row, parent, _ = orphans[0]
        dangling = (
            f"after the upgrade {len(orphans)} rows would refer to nothing (first: row {row} of "
            f"{table}, to {parent})"
        )
        raise StoreError(
            database,
            dangling,
            "every reference to hold",
            "the store was left as it was; report this with the store's revision",
        )


def run() -> None:
    """Run the revisions in one transaction."""
    attributes = context.config.attributes
    if "connection" in attributes:
        context.configure(connection=attributes["connection"], target_metadata=Base.metadata)
        context.run_migrations()
        return
    database = str(attributes["database"])
    engine = create_engine(
        URL.create("sqlite", database=database),
        poolclass=NullPool,
        connect_args={"isolation_level": None, "timeout": attributes["timeout_s"]},
    )
    event.listen(engine, "connect", _enforcement_off)
    event.listen(engine, "begin", _begin)
    with engine.connect() as connection:
        context.configure(
            connection=connection, target_metadata=Base.metadata, transactional_ddl=True, render_as_batch=True
        )
        with context.begin_transaction():
            if "before" in attributes:
                attributes["before"](context.get_context().get_current_revision())
            context.run_migrations()
            _check_references(connection, database)


run()
