"""The schema that a store of the newest revision has, and how another one differs from it."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from functools import cache

from dataset.files.scratch import scratch_folder
from dataset.store.database import upgrade

_BLANKS_AND_QUOTES = re.compile(r'[\s"]+')
Statements = dict[tuple[str, str], str]


def differences(connection: sqlite3.Connection) -> list[tuple[str, str]]:
    """Tables, columns, triggers and indexes that are missing, others than those of the revision, or none of
    its own: what, and a sentence.
    """
    expected, actual = _expected(), _statements(connection)
    findings = [(f"{kind} {name}", "is missing") for kind, name in expected if (kind, name) not in actual]
    for (kind, name), statement in actual.items():
        if (kind, name) not in expected:
            findings.append((f"{kind} {name}", "is none of this revision's schema"))
        elif statement != expected[kind, name]:
            findings.append((f"{kind} {name}", "is another than in this revision's schema"))
    return findings


@cache
def _expected() -> Statements:
    """What the migrations make."""
    with scratch_folder() as folder:
        path = folder / "new.db"
        upgrade(path)
        with closing(sqlite3.connect(path)) as connection:
            return _statements(connection)


def _statements(connection: sqlite3.Connection) -> Statements:
    """What made each table, trigger and index, by kind and name; blanks and quotes don't count. Indexes that
    SQLite makes for a constraint have no statement.
    """
    rows = connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
    return {
        (str(kind), str(name)): f"{table}: {_BLANKS_AND_QUOTES.sub(' ', sql or '').strip()}"
        for kind, name, table, sql in rows
    }
