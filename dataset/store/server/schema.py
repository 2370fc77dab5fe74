"""The schema of a store on a server: made whole at the newest revision, and how another one differs from it.

A server begins at that revision. What stands in ``migrations/versions`` up to 0007 alters files of SQLite
only; what comes later runs on both, and a test holds the outcome against the schema that is made here.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Dialect, Inspector, Table, inspect
from sqlalchemy.orm import Session as OrmSession

from dataset.store.proof import keep
from dataset.store.server.guards import FUNCTIONS, function_statements, trigger_statements
from dataset.store.tables import Base, BenchRow

_TRIGGERS = """
SELECT t.tgname, pg_get_triggerdef(t.oid, true), t.tgenabled
FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid
WHERE c.relnamespace = current_schema()::regnamespace AND NOT t.tgisinternal
"""
_FUNCTIONS = """
SELECT proname, prosrc FROM pg_proc
WHERE pronamespace = current_schema()::regnamespace AND proname LIKE 'innage%%'
"""
_ALWAYS_ON = ("O", "A")  # pg_trigger.tgenabled: fires in an ordinary session
Things = dict[str, str]  # what there is, and how it is made


def make(connection: Connection, bench: str | None) -> None:
    """Make every table, function and trigger in an empty schema, and this store's own bench: of the identity
    ``bench``, or of a random one.
    """
    Base.metadata.create_all(connection, checkfirst=False)
    for statement in (*function_statements(), *trigger_statements().values()):
        connection.exec_driver_sql(statement)
    identity = bench or secrets.token_hex(16)
    with OrmSession(connection) as orm:
        keep(orm, BenchRow(identity=identity, name=f"bench-{identity[:6]}", note="", own=True))


def tables_of(connection: Connection) -> set[str]:
    """The names of the tables in the schema that the connection works in."""
    return set(inspect(connection).get_table_names())


def differences(connection: Connection) -> list[tuple[str, str]]:
    """Tables, columns, constraints, indexes, triggers and functions that are missing, others than those of
    the revision, or none of its own: what, and a sentence.
    """
    expected, actual = _expected(connection.dialect), _actual(connection)
    findings = [(what, "is missing") for what in expected if what not in actual]
    for what, how in actual.items():
        if what not in expected:
            findings.append((what, "is none of this revision's schema"))
        elif how != expected[what]:
            findings.append((what, "is another than in this revision's schema"))
    return findings


def _expected(dialect: Dialect) -> Things:
    things: Things = {}
    for table in Base.metadata.sorted_tables:
        things |= _table(table, dialect)
    things |= {f"trigger {name}": _line(statement) for name, statement in trigger_statements().items()}
    things |= {f"function {name}": _line(body) for name, body in FUNCTIONS.items()}
    return things


def _table(table: Table, dialect: Dialect) -> Things:
    """The parts of a table as the code maps it."""
    things = {f"table {table.name}": ""}
    for column in table.columns:
        things[f"column {table.name}.{column.name}"] = _column(column.type.compile(dialect), column.nullable)
    for constraint in table.constraints:
        columns = ", ".join(constraint.columns.keys()) if hasattr(constraint, "columns") else ""
        target = ", ".join(key.target_fullname for key in getattr(constraint, "elements", ()))
        things[f"constraint {constraint.name}"] = _key(table.name, columns, target)
    for index in table.indexes:
        things[f"index {index.name}"] = _key(
            table.name, ", ".join(index.columns.keys()), str(bool(index.unique))
        )
    return things


def _actual(connection: Connection) -> Things:
    inspector = inspect(connection)
    things = _columns(inspector) | _keys(inspector)
    for name, statement, enabled in connection.exec_driver_sql(_TRIGGERS):
        things[f"trigger {name}"] = _line(statement) if enabled in _ALWAYS_ON else "switched off"
    for name, body in connection.exec_driver_sql(_FUNCTIONS):
        things[f"function {name}"] = _line(body)
    return things


def _columns(inspector: Inspector) -> Things:
    things = Things()
    for (_, table), columns in inspector.get_multi_columns().items():
        if table == "alembic_version":
            continue
        things[f"table {table}"] = ""
        for column in columns:
            how = _column(column["type"].compile(inspector.dialect), column["nullable"])
            things[f"column {table}.{column['name']}"] = how
    return things


def _keys(inspector: Inspector) -> Things:
    """Constraints, and indexes that none of them makes."""
    things = Things()
    kept = (inspector.get_multi_pk_constraint(), inspector.get_multi_unique_constraints())
    for (_, table), primary in kept[0].items():
        things |= _constraint(table, primary["name"], primary["constrained_columns"])
    for (_, table), unique in kept[1].items():
        for one in unique:
            things |= _constraint(table, one["name"], one["column_names"])
    for (_, table), keys in inspector.get_multi_foreign_keys().items():
        for key in keys:
            target = ", ".join(f"{key['referred_table']}.{column}" for column in key["referred_columns"])
            things |= _constraint(table, key["name"], key["constrained_columns"], target)
    for (_, table), indexes in inspector.get_multi_indexes().items():
        for index in indexes:
            if "duplicates_constraint" not in index:
                columns_of = ", ".join(str(name) for name in index["column_names"])
                things[f"index {index['name']}"] = _key(table, columns_of, str(bool(index["unique"])))
    return things


def _constraint(table: str, name: str | None, columns: list[str], target: str = "") -> Mapping[str, str]:
    if table == "alembic_version":
        return {}
    return {f"constraint {name}": _key(table, ", ".join(columns), target)}


def _column(kind: str, nullable: Any) -> str:
    return f"{kind} {'NULL' if nullable else 'NOT NULL'}"


def _key(table: str, columns: str, more: str) -> str:
    return f"{table} ({columns}) {more}"


def _line(text: str) -> str:
    """Without line ends and the quotes around names that are words of SQL too."""
    return " ".join(text.replace('"', "").split())
