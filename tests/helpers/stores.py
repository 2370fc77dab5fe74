"""What tests of stores share: a connection past the door, and a model for a frozen set."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from building import bench_store
from dataset.records import (
    FrozenSet,
    GroupBy,
    Mark,
    Model,
    Restatement,
    Role,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store
from dataset.store.database import TIMEOUT_S
from dataset.store.places import Address
from dataset.store.server.driver import connect

ROLES = {"15": Role.FIT, "25": Role.PROVE}


@contextmanager
def behind(store: Store) -> Iterator[Any]:
    """A connection past the store's own door, each statement for itself on a server; to a store in memory
    there is only the store's.
    """
    if isinstance(store.place, Address):
        with closing(connect(store.place, TIMEOUT_S)) as on_server:
            on_server.autocommit = True
            yield on_server
    elif store.path.name == ":memory:":
        held = store._database._reader.raw_connection()
        yield held.driver_connection
        held.close()
    else:
        with closing(sqlite3.connect(store.path)) as connection:
            yield connection
            connection.commit()


@contextmanager
def unguarded(store: Store) -> Iterator[Any]:
    """As :func:`behind`, with no guard in the way."""
    with behind(store) as connection:
        if isinstance(store.place, Address):
            connection.execute("SET session_replication_role = replica")
        else:
            guards = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
            for (name,) in guards:
                connection.execute(f"DROP TRIGGER {name}")
        yield connection


def refusal_of(store: Store) -> type[Exception]:
    """What the driver raises where a guard of the schema refuses."""
    if isinstance(store.place, Address):
        from psycopg.errors import InsufficientPrivilege

        refused: type[Exception] = InsufficientPrivilege
        return refused
    return sqlite3.IntegrityError


def model_of(frozen: FrozenSet) -> Model:
    """A model named m, of no program, made from a frozen set."""
    return Model(
        "m",
        "a" * 64,
        frozen,
        None,
        '{"seed":0}',
        '{"numpy":"2"}',
        '{"rmse_mm":0.5}',
        '{"format":1}',
        b"\x08\x0a\x00",
    )


def content(store: Store) -> str:
    """A digest of every row of the store, by SQLite's own dump."""
    with closing(sqlite3.connect(store.path)) as connection:
        return hashlib.sha256("\n".join(connection.iterdump()).encode()).hexdigest()


def every_row(path: Path) -> dict[str, list[Any]]:
    """Each row of each table as SQLite holds it."""
    with closing(sqlite3.connect(path)) as connection:
        tables = [
            name
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY 1"
            )
        ]
        return {
            table: connection.execute(f"SELECT rowid, * FROM {table} ORDER BY rowid").fetchall()  # noqa: S608 - the store's own names
            for table in tables
        }


def behind_the_back(path: Path, *statements: str) -> None:
    """Run statements past the guards, which stand again afterwards."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("BEGIN")
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        for _, sql in guards:
            connection.execute(sql)
        connection.execute("COMMIT")


def fill_lists(store: Store) -> None:
    """Five sessions, of which one is void, one has its marks amended, one is amended and tagged, the last of
    another unit; units, two of which are spelled alike but for their case; trims; frozen sets and models.
    """
    bench = bench_store(store)
    names = ("Unit1", "unit10", "unit2", "z")
    *_, other = store.add_units([Unit(name) for name in names])
    new = [bench.session(k) for k in range(1, 5)]
    one, two, three, *_ = store.add_sessions([*new, replace(bench.session(5), unit=other)])
    store.amend_marks(two.id, [Mark(0, 5, 16.0, 0.5)], "A. Tester", "the marks were read off late")
    store.amend_session(three.id, Restatement(firmware="1.1"), "A. Tester", "left out")
    store.tag([three.id], ["humid"])
    counts = (900,) * bench.mounting.sensor.channels
    for day in ("2026-01-01", "2026-01-02", "2026-01-03"):
        store.add_trim(Trim(bench.unit, bench.mounting, TrimKind.FULL, counts, day, "end-of-line"))
    for name in ("b", "a", "B"):
        store.add_model(replace(model_of(store.freeze(name, [one], GroupBy.LEVEL, ROLES)), name=name))
    store.void(one.id, "the scale was not tared")
