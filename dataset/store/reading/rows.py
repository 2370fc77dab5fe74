"""Rows of a store without the mapper, with the same attributes that its rows have: for commands that end
before the mapper is loaded, and for many rows, which it takes long to make.

What a row leads to is said here again (:data:`ONE`, :data:`MANY`), and which columns are no plain values
(:data:`MADE`); a test holds all of it equal to the mapped tables. Nothing is written.
"""

from __future__ import annotations

from collections import defaultdict, namedtuple
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from operator import attrgetter
from types import SimpleNamespace
from typing import Any, Protocol

from dataset.errors import StoreError
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
AT_ONCE = 500  # values of a statement
_EVERYWHERE: Mapping[str, Callable[[Any], Any]] = {"hashed_by_upgrade": bool}


_TEMPERATURES = """
SELECT s.sha256, b.frames, b.temperature_c, b.format
FROM frame_block b JOIN capture_session s ON s.id = b.session_id
WHERE b.temperature_c IS NOT NULL ORDER BY b.session_id, b.position
"""


class Connected(Protocol):
    """What reads rows: a connection of SQLite's driver, or one to a server that takes questions as that."""

    def execute(self, query: str, values: Sequence[Any] = (), /) -> Any:
        """A cursor over the rows of a query, whose values stand for its question marks."""


def together(connection: Connected, queries: Sequence[str], values: Sequence[Any]) -> list[Iterable[Any]]:
    """The rows of several queries with the same values, of a server in one way there and back."""
    at_once = getattr(connection, "together", None)
    return at_once(queries, values) if at_once else [connection.execute(query, values) for query in queries]


class Row:
    """A row of :class:`Rows`: its columns, and what it leads to, looked up when it is first asked for, at
    once for all that were selected with it.
    """

    __tablename__ = ""
    read_by: Any  # what its hash is worked out by, as of ``dataset.store.proof``
    _rows: Rows
    _selected: list[Row]

    def __getattr__(self, name: str) -> Any:
        if name == "read_by":
            return self._rows.proving
        if name in ONE.get(self.__tablename__, {}):
            self._rows.lead_to_one(self._selected, name)
        elif name in MANY.get(self.__tablename__, {}):
            self._rows.lead_to_many(self._selected, name)
        else:
            raise AttributeError(f"a row of {self.__tablename__} has no {name!r}")
        return self.__dict__[name]


class Rows:
    """The rows of one reading transaction; each stands there once. With ``whole`` a table is read at once
    when a row of it is first asked for, else those that are asked for.
    """

    def __init__(self, connection: Connected, *, whole: bool = False, dialect: str = "sqlite") -> None:
        self._connection, self._whole = connection, whole
        self._kinds: dict[str, type[Row]] = {}
        self._known: dict[tuple[str, str], dict[Any, Row]] = {}
        self._children: dict[tuple[str, str], dict[Any, list[Row]]] = {}
        self.proving = SimpleNamespace(
            exec_driver_sql=self._for_a_hash, dialect=SimpleNamespace(paramstyle="qmark", name=dialect)
        )

    def execute(self, query: str, *values: Any) -> Any:
        """A cursor over the rows of a query, whose values stand for its question marks."""
        return self._connection.execute(query, values)

    def together(self, queries: Sequence[str], *values: Any) -> list[Iterable[Any]]:
        """The rows of several queries with the same values."""
        return together(self._connection, queries, values)

    def select(self, table: str, rest: str = "", *values: Any) -> list[Any]:
        """The rows of a table, with what stands behind FROM; those that were given before are made anew. They
        go for the mapped rows that records are made of.
        """
        return self._select(table, rest, values, [])

    def _select(self, table: str, rest: str, values: Sequence[Any], into: list[Row]) -> list[Any]:
        """As :meth:`select`; the rows are added to ``into``, which are those that are looked up together."""
        cursor = self._connection.execute(f"SELECT * FROM {table} {rest}", values)  # noqa: S608 - names and conditions of ours
        columns = tuple(name for name, *_ in cursor.description)
        if table not in ONE and table not in MANY and table not in MADE and "record_sha256" not in columns:
            into.extend(map(_leaf(columns)._make, cursor))
            return into
        made = {**_EVERYWHERE, **MADE.get(table, {})}
        conversions = [(name, made[name]) for name in columns if name in made]
        kind = self._kinds.setdefault(table, type("Row", (Row,), {"__tablename__": table, "_rows": self}))
        for cells in cursor:
            row = kind()
            row.__dict__ = values_of = dict(zip(columns, cells, strict=True))
            values_of["_selected"] = into
            for name, make in conversions:
                if values_of[name] is not None:
                    values_of[name] = make(values_of[name])
            into.append(row)
        return into

    def keep(self, table: str, key: str, rows: Iterable[Row]) -> None:
        """Let rows that were selected stand for themselves wherever others lead to them."""
        self._known[(table, key)] = {getattr(row, key): row for row in rows}

    def lead_to_one(self, rows: Sequence[Row], name: str) -> None:
        """Let each of these rows of one table have the row that it leads to by ``name``, or None."""
        column, table, key = ONE[rows[0].__tablename__][name]
        values = [getattr(row, column) for row in rows]
        known = self._known.get((table, key))
        if known is None:
            whole = self.select(table) if self._whole else []
            known = self._known[(table, key)] = {getattr(row, key): row for row in whole}
        lacking = list(dict.fromkeys(v for v in values if v is not None and v not in known))
        known.update((getattr(row, key), row) for row in self.having(table, key, lacking))
        for row, value in zip(rows, values, strict=True):
            if value is not None and value not in known:
                raise StoreError(
                    f"{row.__tablename__} {row.__dict__.get('id', '')}".strip(),
                    f"refers to a row of {table} that is not there",
                    "",
                    "use a copy of the store",
                )
            row.__dict__[name] = None if value is None else known[value]

    def lead_to_many(self, rows: Sequence[Any], name: str) -> None:
        """Let each of these rows of one table have the rows that belong to it by ``name``, in order."""
        table, parent, order = MANY[rows[0].__tablename__][name]
        if self._whole and (table, parent) not in self._children:
            self._children[(table, parent)] = _by(parent, self.select(table, f"ORDER BY {parent}, {order}"))
        gathered = (
            self._children[(table, parent)]
            if self._whole
            else _by(parent, self.having(table, parent, [row.id for row in rows], f"ORDER BY {order}"))
        )
        for row in rows:
            row.__dict__[name] = gathered.get(row.id, [])

    def having(self, table: str, column: str, values: Sequence[Any], order: str = "") -> list[Any]:
        """The rows of a table whose ``column`` has one of these values; ``order`` holds for each of them."""
        rows: list[Any] = []
        for start in range(0, len(values), AT_ONCE):
            some = values[start : start + AT_ONCE]
            marks = ",".join("?" * len(some))
            self._select(table, f"WHERE {column} IN ({marks}) {order}", some, rows)
        return rows

    def temperatures(self) -> Iterator[tuple[str, int, bytes | None, int]]:
        """Every block with a column of temperature, session after session: the session's hash, how many
        frames, the packed column and its format.
        """
        yield from self._connection.execute(_TEMPERATURES)

    def _for_a_hash(self, query: str, values: tuple[Any, ...]) -> _Answer:
        cursor = self._connection.execute(query, values)
        return _Answer([name for name, *_ in cursor.description], cursor.fetchall())


def _by(column: str, rows: Iterable[Row]) -> dict[Any, list[Row]]:
    """The rows by what they have in a column, in their order."""
    gathered: defaultdict[Any, list[Row]] = defaultdict(list)
    key_of = attrgetter(column)
    for row in rows:
        gathered[key_of(row)].append(row)
    return gathered


@cache
def _leaf(columns: tuple[str, ...]) -> Any:
    """The kind of a row of these columns that leads nowhere: there are the most of them."""
    return namedtuple("Leaf", columns)


class _Answer:
    """What a query gave, as ``dataset.store.proof`` asks for it."""

    def __init__(self, columns: list[str], rows: list[Any]) -> None:
        self._columns, self._rows = columns, rows

    def mappings(self) -> list[dict[str, Any]]:
        return [dict(zip(self._columns, row, strict=True)) for row in self._rows]

    def __iter__(self) -> Iterator[Any]:
        return iter(self._rows)

    def scalar(self) -> Any:
        return self._rows[0][0] if self._rows else None
