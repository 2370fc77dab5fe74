"""Rows of a store's SQLite file without the mapper, with the same attributes that its rows have: for commands
that end before the mapper is loaded.

What a row leads to is said here again (:data:`ONE`, :data:`MANY`), and which columns are no plain values
(:data:`MADE`); a test holds all of it equal to the mapped tables. Nothing is written.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from types import SimpleNamespace
from typing import Any

from dataset.words import CountLaw, GroupBy, PadRole, Role

# What a row leads to by an attribute: the column of its own that says so, the other table and its column.
ONE: Mapping[str, Mapping[str, tuple[str, str, str]]] = {
    "amendment": {
        "session": ("session_id", "capture_session", "id"),
        "unit": ("unit_id", "unit", "id"),
        "liquid": ("liquid_id", "liquid", "id"),
        "mounting": ("mounting_id", "mounting", "id"),
    },
    "board_measurement": {"model": ("model_id", "model", "id")},
    "capture_session": {
        "unit": ("unit_id", "unit", "id"),
        "liquid": ("liquid_id", "liquid", "id"),
        "mounting": ("mounting_id", "mounting", "id"),
    },
    "frozen_session": {"session": ("session_id", "capture_session", "id")},
    "frozen_trim": {"trim": ("trim_sha256", "trim", "sha256")},
    "mark_revision": {"session": ("session_id", "capture_session", "id")},
    "model": {"frozen_set": ("frozen_set_id", "frozen_set", "id"), "limits": ("limits_id", "limits", "id")},
    "mounting": {"tank": ("tank_id", "tank", "id"), "sensor": ("sensor_id", "sensor", "id")},
    "status_event": {"model": ("model_id", "model", "id")},
    "tag_event": {"session": ("session_id", "capture_session", "id")},
    "trim": {
        "unit": ("unit_id", "unit", "id"),
        "mounting": ("mounting_id", "mounting", "id"),
        "session": ("session_id", "capture_session", "id"),
    },
    "unit": {
        "bench": ("bench_id", "bench", "id"),
        "same_as": ("same_as_id", "unit", "id"),
        "first": ("first_id", "unit", "id"),
    },
    "void_event": {"session": ("session_id", "capture_session", "id")},
}
# What rows belong to a row, by an attribute: their table, the column that says so, and what orders them.
MANY: Mapping[str, Mapping[str, tuple[str, str, str]]] = {
    "capture_session": {
        "marks": ("mark", "session_id", "position"),
        "blocks": ("frame_block", "session_id", "position"),
        "stretches": ("condition_stretch", "session_id", "position"),
        "warnings": ("door_warning", "session_id", "position"),
        "mark_revisions": ("mark_revision", "session_id", "sequence"),
        "voids": ("void_event", "session_id", "sequence"),
        "tag_events": ("tag_event", "session_id", "sequence"),
        "amendments": ("amendment", "session_id", "sequence"),
    },
    "frozen_set": {
        "roles": ("frozen_role", "frozen_set_id", "group_name"),
        "sessions": ("frozen_session", "frozen_set_id", "position"),
        "trims": ("frozen_trim", "frozen_set_id", "position"),
    },
    "limits": {"rows": ("limit_row", "limits_id", "position")},
    "model": {"statuses": ("status_event", "model_id", "sequence")},
    "sensor": {"pads": ("pad", "sensor_id", "channel")},
}
# Columns that are made something of: words, and truth values, which SQLite keeps as numbers.
MADE: Mapping[str, Mapping[str, Callable[[Any], Any]]] = {
    "bench": {"own": bool},
    "capture_session": {"sealed": bool, "simulated": bool},
    "frozen_role": {"role": Role},
    "frozen_set": {"sealed": bool, "group_by": GroupBy, "named_by_content": bool},
    "pad": {"role": PadRole},
    "retirement_event": {"takes_back": bool},
    "sensor": {"count_law": CountLaw},
    "tag_event": {"removes": bool},
    "void_event": {"takes_back": bool},
}
_EVERYWHERE: Mapping[str, Callable[[Any], Any]] = {"hashed_by_upgrade": bool}


_TEMPERATURES = """
SELECT s.sha256, b.frames, b.temperature_c, b.format
FROM frame_block b JOIN capture_session s ON s.id = b.session_id
WHERE b.temperature_c IS NOT NULL ORDER BY b.session_id, b.position
"""


class Row:
    """A row of :class:`Rows`: its columns, and what it leads to, looked up when it is first asked for."""

    __tablename__ = ""
    read_by: Any  # what its hash is worked out by, as of ``dataset.store.proof``
    _rows: Rows

    def __getattr__(self, name: str) -> Any:
        one, many = ONE.get(self.__tablename__, {}), MANY.get(self.__tablename__, {})
        if name in one:
            column, table, key = one[name]
            value: Any = self._rows.one(table, key, getattr(self, column))
        elif name in many:
            value = self._rows.many(*many[name], self.id)
        elif name == "read_by":
            return self._rows.proving
        else:
            raise AttributeError(f"a row of {self.__tablename__} has no {name!r}")
        self.__dict__[name] = value
        return value


class Rows:
    """The rows of one reading transaction; each stands there once. With ``whole`` a table is read at once
    when a row of it is first asked for, else row by row.
    """

    def __init__(self, connection: sqlite3.Connection, *, whole: bool) -> None:
        self._connection, self._whole = connection, whole
        self._kinds: dict[str, type[Row]] = {}
        self._known: dict[tuple[str, str], dict[Any, Row]] = {}
        self._children: dict[tuple[str, str], dict[Any, list[Row]]] = {}
        self.proving = SimpleNamespace(
            exec_driver_sql=self._for_a_hash, dialect=SimpleNamespace(paramstyle="qmark", name="sqlite")
        )

    def select(self, table: str, rest: str = "", *values: Any) -> list[Any]:
        """The rows of a table, with what stands behind FROM; those that were given before are made anew. They
        go for the mapped rows that records are made of.
        """
        cursor = self._connection.execute(f"SELECT * FROM {table} {rest}", values)  # noqa: S608 - names and conditions of ours
        columns = [name for name, *_ in cursor.description]
        made = {**_EVERYWHERE, **MADE.get(table, {})}
        conversions = [(name, made[name]) for name in columns if name in made]
        kind = self._kinds.setdefault(table, type("Row", (Row,), {"__tablename__": table, "_rows": self}))
        rows = []
        for cells in cursor:
            row = kind()
            values_of = row.__dict__
            values_of.update(zip(columns, cells, strict=True))
            for name, make in conversions:
                if values_of[name] is not None:
                    values_of[name] = make(values_of[name])
            rows.append(row)
        return rows

    def one(self, table: str, key: str, value: Any) -> Row | None:
        """The row of a table whose column ``key`` has this value; None where the value is."""
        if value is None:
            return None
        known = self._known.get((table, key))
        if known is None:
            whole = self.select(table) if self._whole else []
            known = self._known[(table, key)] = {getattr(row, key): row for row in whole}
        if value not in known:
            (known[value],) = self.select(table, f"WHERE {key} = ?", value)
        return known[value]

    def keep(self, table: str, key: str, rows: Iterable[Row]) -> None:
        """Let rows that were selected stand for themselves wherever others lead to them."""
        self._known[(table, key)] = {getattr(row, key): row for row in rows}

    def many(self, table: str, parent: str, order: str, value: Any) -> list[Any]:
        """The rows of a table whose column ``parent`` has this value, in order."""
        if not self._whole:
            return self.select(table, f"WHERE {parent} = ? ORDER BY {order}", value)
        if (table, parent) not in self._children:
            gathered = self._children[(table, parent)] = dict[Any, list[Row]]()
            for row in self.select(table, f"ORDER BY {parent}, {order}"):
                gathered.setdefault(getattr(row, parent), []).append(row)
        return self._children[(table, parent)].get(value, [])

    def temperatures(self) -> Iterator[tuple[str, int, bytes | None, int]]:
        """Every block with a column of temperature, session after session: the session's hash, how many
        frames, the packed column and its format.
        """
        yield from self._connection.execute(_TEMPERATURES)

    def _for_a_hash(self, query: str, values: tuple[Any, ...]) -> _Answer:
        cursor = self._connection.execute(query, values)
        return _Answer([name for name, *_ in cursor.description], cursor.fetchall())


class _Answer:
    """What a query gave, as ``dataset.store.proof`` asks for it."""

    def __init__(self, columns: list[str], rows: list[Any]) -> None:
        self._columns, self._rows = columns, rows

    def mappings(self) -> list[dict[str, Any]]:
        return [dict(zip(self._columns, row, strict=True)) for row in self._rows]

    def scalar(self) -> Any:
        return self._rows[0][0] if self._rows else None
