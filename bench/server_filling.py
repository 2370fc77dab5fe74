"""Stores with many sessions for the bench of servers, cheaply: a few are admitted and frozen, the others are
copies of their rows under other hashes, which lists never hash again; a server takes all rows as they are.
"""

from __future__ import annotations

import hashlib
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from invented import HISTORY, Registered, register, session
from sqlalchemy import Boolean, Table

from dataset.records import GroupBy, Role
from dataset.store import Store
from dataset.store.places import Address
from dataset.store.server.driver import connect
from dataset.store.tables import Base

ADMITTED = 4 * HISTORY  # sessions that come in by the door
SET = "set"
_PARTS = ("mark", "condition_stretch", "door_warning", "frame_block")


def fill(path: Path, sessions: int, frames: int, admitted: int = ADMITTED) -> Registered:
    """An invented bench with ``sessions`` of so many frames, of which so many were ``admitted``; the later
    half of these are in a frozen set.
    """
    with Store.open(path) as store:
        on = register(store)
        store.add_sessions([session(number, frames, on) for number in range(admitted)])
        last = store.sessions()[admitted // 2 :]
        roles = {unit.name: Role.PROVE if k == 0 else Role.FIT for k, unit in enumerate(on.units)}
        store.freeze(SET, last, GroupBy.UNIT, roles)
    with closing(sqlite3.connect(path)) as connection:
        for number in range(admitted, sessions):
            _copy_session(connection, 1 + number % admitted, number)
        connection.commit()
    return on


def _copy_session(connection: sqlite3.Connection, of: int, number: int) -> None:
    """A session like that of row ``of``, its readings too, under a hash of its own."""
    sha256 = hashlib.sha256(str(number).encode()).hexdigest()
    columns = [name for _, name, *_ in connection.execute("PRAGMA table_info(capture_session)")]
    own = {"id": "?", "sha256": "?", "sealed": "0"}
    chosen = ", ".join(own.get(name, name) for name in columns)
    copied = f"INSERT INTO capture_session SELECT {chosen} FROM capture_session WHERE id = ?"  # noqa: S608 - names of the schema
    connection.execute(copied, (number + 1, sha256, of))
    for part in _PARTS:
        rest = ", ".join(name for _, name, *_ in connection.execute(f"PRAGMA table_info({part})"))
        values = rest.replace("session_id", "?")
        parts = f"INSERT INTO {part} ({rest}) SELECT {values} FROM {part} WHERE session_id = ?"  # noqa: S608 - as above
        connection.execute(parts, (number + 1, of))
    connection.execute("UPDATE capture_session SET sealed = 1 WHERE id = ?", (number + 1,))


def copy_to_server(path: Path, place: str) -> None:
    """Put every row of a store in a file into an empty one on a server, whose guards look away meanwhile."""
    with closing(sqlite3.connect(path)) as source, closing(connect(Address(place), 60.0)) as target:
        target.execute("SET session_replication_role = 'replica'")  # the administrator's alone
        for table in Base.metadata.sorted_tables:
            target.execute(f"DELETE FROM {table.name}".encode())  # noqa: S608 - names of the schema
            _copy_rows(source, target, table)
        target.commit()
        target.autocommit = True
        target.execute("VACUUM ANALYZE")  # as the server does by itself some time after many rows came


def _copy_rows(source: sqlite3.Connection, target: Any, table: Table) -> None:
    columns = [column.name for column in table.columns]
    said = [k for k, column in enumerate(table.columns) if isinstance(column.type, Boolean)]
    named = ", ".join(columns)
    with target.cursor() as cursor, cursor.copy(f"COPY {table.name} ({named}) FROM STDIN".encode()) as copy:
        for row in source.execute(f"SELECT {named} FROM {table.name}"):  # noqa: S608 - names of the schema
            cells = list(row)
            for k in said:
                cells[k] = None if cells[k] is None else bool(cells[k])
            copy.write_row(cells)
    key = next(iter(table.primary_key.columns))
    sequence = target.execute("SELECT pg_get_serial_sequence(%s, %s)", (table.name, key.name)).fetchone()[0]
    if sequence is not None:
        newest = f"SELECT setval(%s, (SELECT coalesce(max({key.name}), 0) + 1 FROM {table.name}), false)"  # noqa: S608 - as above
        target.execute(newest.encode(), (sequence,))
