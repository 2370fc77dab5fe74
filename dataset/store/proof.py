"""What covers a row: the hash of its record, recomputed by ``innage check``, by merging, and where a decision
rests on it.

A record's hash is the SHA-256 of canonical JSON over every column of its row and of the rows that belong to
it, as SQLite holds them; bytes stand there by their own hash, a row that is referred to by what it is known
by. Not in it: what a store counts itself (row ids, revision numbers), so that a record keeps its hash when it
goes from store to store. A column that is NULL is left out, so that a later column changes no hash.

Rows may be changed until they have their hash, which the guards of the schema see to; :func:`keep` gives it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, partial
from typing import TYPE_CHECKING, Any

from dataset.canonical_text import sha256
from dataset.errors import StoreError
from dataset.records import ID_DIGITS

if TYPE_CHECKING:  # what is read without the mapper is proved too: nothing in here loads it
    from sqlalchemy import Connection, CursorResult
    from sqlalchemy.orm import Session as OrmSession

    from dataset.store.tables import Covered

# what a store counts or marks itself
OWN = frozenset({"id", "sequence", "revision", "sealed", "record_sha256"})
# worked out or decided by a store, or covered by the record's own hash and what is assigned beside it
_LEFT_OUT = {"bench": {"own"}, "unit": {"same_as_id", "first_id"}, "capture_session": {"unit_id"}}
_RENAMED = ("bench", "unit")  # a store may add '@' and more to these names
_PLACES = {
    "unit_id": ("unit", "identity"),
    "liquid_id": ("liquid", "name"),
    "mounting_id": ("mounting", "name"),
}
_TOKEN = {"token_id": ("token", "public_id")}
_CAPTURE = {"capture_id": ("open_capture", "record_sha256")}


@dataclass(frozen=True)
class Cover:
    """What the hash of a table's rows covers beside their own columns.

    ``children`` are tables whose rows belong to them: the column that says to which, and the one that orders
    them. ``refers`` says of columns that refer to a row what stands for it: a table and its column.
    """

    children: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    refers: Mapping[str, tuple[str, str]] = field(default_factory=dict)


COVERS: dict[str, Cover] = {
    "tank": Cover(),
    "liquid": Cover(),
    "sensor": Cover({"pad": ("sensor_id", "channel")}),
    "mounting": Cover(
        refers={"tank_id": ("tank", "record_sha256"), "sensor_id": ("sensor", "record_sha256")}
    ),
    "operator": Cover(),
    "instrument": Cover(),
    "check_standard": Cover(refers={"sensor_id": ("sensor", "record_sha256")}),
    "check_measurement": Cover(refers={"standard_id": ("check_standard", "record_sha256")}),
    "bench": Cover(),
    "unit": Cover(refers={"bench_id": ("bench", "identity")}),
    "unit_assignment": Cover(),
    "unit_union": Cover(),
    "budget": Cover(),
    "limits": Cover({"limit_row": ("limits_id", "position")}),
    "mapping": Cover(),
    "capture_session": Cover(
        {
            "mark": ("session_id", "position"),
            "condition_stretch": ("session_id", "position"),
            "door_warning": ("session_id", "position"),
            "frame_block": ("session_id", "position"),
        },
        _PLACES,
    ),
    "void_event": Cover(refers={"session_id": ("capture_session", "sha256")}),
    "tag_event": Cover(refers={"session_id": ("capture_session", "sha256")}),
    "frozen_set": Cover(
        {
            "frozen_role": ("frozen_set_id", "group_name"),
            "frozen_session": ("frozen_set_id", "position"),
            "frozen_trim": ("frozen_set_id", "position"),
        },
        {"session_id": ("capture_session", "sha256")},
    ),
    "model": Cover(
        refers={"frozen_set_id": ("frozen_set", "sha256"), "limits_id": ("limits", "record_sha256")}
    ),
    "retirement_event": Cover(),
    "status_event": Cover(refers={"model_id": ("model", "record_sha256")}),
    "export": Cover({"exported_file": ("export_id", "name")}, {"model_id": ("model", "record_sha256")}),
    "board_measurement": Cover(refers={"model_id": ("model", "record_sha256")}),
    "token": Cover(),
    "token_revocation": Cover(refers=_TOKEN),
    "token_use": Cover(refers=_TOKEN),
    "sign_in": Cover(refers=_TOKEN),
    "receipt": Cover(),
    "staged_blob": Cover(),
    "channel_move": Cover(),
    "withdrawal_event": Cover(),
    "bundle_signature": Cover(),
    "job": Cover(),
    "job_event": Cover(refers={"job_id": ("job", "key")}),
    "open_capture": Cover(refers=_PLACES),
    "open_block": Cover(refers=_CAPTURE),
    "open_entry": Cover(refers=_CAPTURE),
}


def record_sha256(
    connection: Connection,
    table: str,
    row_id: int,
    *further: int,
    seen: Callable[[str, Mapping[str, Any]], None] | None = None,
    unseen: Mapping[str, str] | None = None,
) -> str:
    """The hash of the record in a row (its primary key), as it stands there now; ``seen`` is called with each
    row that belongs to it, and its table, for who needs what stands there too. ``unseen`` gives the SHA-256
    of bytes that do not stand there, by their columns.
    """
    cover = COVERS[table]
    found = f"SELECT * FROM {table} WHERE {_key(connection, table, further)}"  # noqa: S608 - a name from above
    (row,) = _rows(connection, found, row_id, *further)
    facts = _facts(connection, row, cover, leave_out=OWN | _LEFT_OUT.get(table, set()))
    facts |= {column: _of_bytes(digest) for column, digest in (unseen or {}).items()}
    if table in _RENAMED:
        facts["name"] = facts["name"].partition("@")[0]
    children = {
        child: _parts(
            connection, child, parent, order, row_id, cover, None if seen is None else partial(seen, child)
        )
        for child, (parent, order) in cover.children.items()
    }
    return facts_sha256(table, facts, children)


def _parts(
    connection: Connection,
    child: str,
    parent: str,
    order: str,
    row_id: int,
    cover: Cover,
    seen: Callable[[Mapping[str, Any]], None] | None,
) -> list[dict[str, Any]]:
    """The facts of the rows of ``child`` that belong to a record; what they refer to is read at once, since
    there may be thousands.
    """
    known: dict[str, dict[Any, Any]] = {}
    parts = []
    for row in _rows(connection, f"SELECT * FROM {child} WHERE {parent} = ? ORDER BY {order}", row_id):  # noqa: S608 - names from above
        if seen is not None:
            seen(row)
        for key in [key for key in cover.refers if key in row]:
            if key not in known:
                known[key] = _referred(connection, (child, parent, row_id), key, *cover.refers[key])
            row[key] = known[key].get(row[key])
        parts.append(_content({key: value for key, value in row.items() if key != parent}))
    return parts


def _referred(
    connection: Connection, parts: tuple[str, str, int], key: str, table: str, column: str
) -> dict[Any, Any]:
    """By row: the column of what the rows that belong to a record refer to by ``key``."""
    child, parent, row_id = parts
    place = _key(connection, table).partition(" ")[0]
    joined = f"{child} c JOIN {table} r ON r.{place} = c.{key}"
    query = f"SELECT c.{key}, r.{column} FROM {joined} WHERE c.{parent} = ?"  # noqa: S608 - names from above
    return dict(map(tuple, raw(connection, query, row_id)))


def facts_sha256(
    table: str, facts: Mapping[str, Any], children: Mapping[str, list[dict[str, Any]]] | None = None
) -> str:
    """The hash of a record by its facts; those that are None, and kinds of children that are none, are left
    out.
    """
    content: dict[str, Any] = {"table": table, "facts": _content(facts)}
    return sha256(content | {child: rows for child, rows in (children or {}).items() if rows})


def keep(orm: OrmSession, row: Covered, unseen: Mapping[str, str] | None = None) -> None:
    """Write a new row with everything that belongs to it, and give it the hash of its record; ``unseen`` is
    as of :func:`record_sha256`.
    """
    orm.add(row)
    orm.flush()
    row.record_sha256 = record_sha256(orm.connection(), _table(row), _row_id(row), unseen=unseen)
    orm.flush()


def check_row(row: Covered, where: str) -> None:
    """StoreError unless the record in a row, which is a session's, hashes to what was kept with it."""
    check(where, record_sha256(_connection_of(row, where), _table(row), _row_id(row)), row.record_sha256)


def _connection_of(row: Covered, where: str) -> Connection:
    """What a row was read by: a connection of its own, where it was read without the mapper."""
    own: Connection | None = getattr(row, "read_by", None)
    if own is not None:
        return own
    from sqlalchemy.orm import object_session

    orm = object_session(row)
    if orm is None:
        raise ValueError(f"{where} is not loaded from a store")
    return orm.connection()


def check(where: str, actual: str, kept: str | None) -> None:
    """StoreError unless content has the hash that was kept with it."""
    if actual != kept:
        raise changed(where, actual, kept or "no hash")


def changed(where: str, actual: str, kept: object) -> StoreError:
    """The error for content that no longer has the hash kept with it, which a single bit of the file can turn
    to bytes.
    """
    hint = "the store was changed by something else than innage; use a copy of it"
    return StoreError(where, f"its content hashes to {actual[:ID_DIGITS]}", f"{kept}"[:ID_DIGITS], hint)


def _facts(
    connection: Connection, row: Mapping[str, Any], cover: Cover, leave_out: frozenset[str] | set[str]
) -> dict[str, Any]:
    facts = {key: value for key, value in row.items() if key not in leave_out}
    for key, (table, column) in cover.refers.items():
        if facts.get(key) is not None:
            query = f"SELECT {column} FROM {table} WHERE {_key(connection, table)}"  # noqa: S608 - names from above
            facts[key] = raw(connection, query, facts[key]).scalar()
    return _content(facts)


def _content(facts: Mapping[str, Any]) -> dict[str, Any]:
    return {key: _plain(value) for key, value in facts.items() if value is not None}


def _plain(value: Any) -> Any:
    """A value as it stands in the hash: as SQLite gives it, which has neither truth values nor a zero below
    zero.
    """
    if isinstance(value, bytes):
        return _of_bytes(hashlib.sha256(value).hexdigest())
    if isinstance(value, bool):
        return int(value)
    return value + 0.0 if isinstance(value, float) else value


def _of_bytes(digest: str) -> str:
    """What stands in the hash for bytes."""
    return f"bytes {digest}"


def _rows(connection: Connection, query: str, *key: int) -> Iterator[dict[str, Any]]:
    """Rows as they are asked for: blocks of frames may be more than should be held at once."""
    return (dict(row) for row in raw(connection, query, *key).mappings())


def raw(connection: Connection, query: str, *key: int | str) -> CursorResult[Any]:
    """Values as the driver gives them: what a column's type made of them would hide what was changed."""
    if connection.dialect.paramstyle != "qmark":
        query = query.replace("?", "%s")
    return connection.exec_driver_sql(query, key)


def _key(connection: Connection, table: str, further: tuple[int, ...] = ()) -> str:
    """What finds a row by its primary key, which in SQLite is the row's own number where it is one number."""
    return "rowid = ?" if connection.dialect.name == "sqlite" and not further else _primary_key(table)


@cache
def _primary_key(table: str) -> str:
    from dataset.store.tables import Base

    return " AND ".join(f"{column.name} = ?" for column in Base.metadata.tables[table].primary_key)


def _table(row: Covered) -> str:
    return type(row).__tablename__


def _row_id(row: Covered) -> int:
    key = getattr(row, "id", None)
    return int(getattr(row, "sequence", 0) if key is None else key)
