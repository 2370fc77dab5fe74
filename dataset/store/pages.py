"""Lists that grow, a page at a time: each in a stated order that ends in a unique key.

A page begins behind the key of the last page's last item, wherever that stands now: nothing is left out and
nothing comes twice while others write. Sessions and trims come as they came into this store, what is newer at
the end, and their keys are hashes; what has a name comes by it, byte by byte.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from dataset.errors import InputError, NotFoundError
from dataset.records import FrozenSet, Model, Session, Trim, Unit
from dataset.store.listing import LINES, SessionLine, lines
from dataset.store.reading.registry import to_unit
from dataset.store.reading.results import to_models
from dataset.store.reading.rows import Rows
from dataset.store.reading.sessions import to_sessions
from dataset.store.reading.sets import to_frozen_set, to_trim
from dataset.values import check_text

AT_ONCE = 100  # items of a page, where nobody says how many
T = TypeVar("T")
_DIGITS = frozenset("0123456789abcdef")
_COUNTED = {
    "tanks": "SELECT count(DISTINCT name) FROM tank",
    "liquids": "SELECT count(*) FROM liquid",
    "sensors": "SELECT count(DISTINCT name) FROM sensor",
    "mountings": "SELECT count(*) FROM mounting",
    "units": "SELECT count(*) FROM unit WHERE same_as_id IS NULL",
    "sessions": "SELECT count(*) FROM capture_session",
    "trims": "SELECT count(*) FROM trim",
    "check standards": "SELECT count(*) FROM check_standard",
    "limits": "SELECT count(DISTINCT name) FROM limits",
    "budgets": "SELECT count(*) FROM budget",
    "frozen sets": "SELECT count(*) FROM frozen_set",
    "models": "SELECT count(*) FROM model",
    "bundles": "SELECT count(DISTINCT bundle_sha256) FROM export",
    "channels": "SELECT count(DISTINCT channel) FROM channel_move",
    "jobs": "SELECT count(*) FROM job",
}


@dataclass(frozen=True)
class Page(Generic[T]):
    """Some items of a list, and the key behind which the next page begins; None where the list ends."""

    items: tuple[T, ...]
    next: str | None


@dataclass(frozen=True)
class Asked:
    """Which page is asked for: at most ``limit`` items behind the key ``after``; None is the beginning."""

    limit: int = AT_ONCE
    after: str | None = None

    def __post_init__(self) -> None:
        if self.limit < 1:
            raise InputError("page", f"{self.limit} items", "at least one", fields=("limit",))
        check_text("key of a page", self.after or "")


def sessions(rows: Rows, asked: Asked) -> Page[Session]:
    """As they were logged; the key is the hash."""
    between, following = _between(rows, "capture_session", "id", asked)
    shown = rows.select("capture_session", "WHERE id BETWEEN ? AND ? ORDER BY id", *between)
    return Page(to_sessions(shown), following)


def session_lines(rows: Rows, asked: Asked) -> Page[SessionLine]:
    """As they were logged; the key is the hash."""
    between, following = _between(rows, "capture_session", "id", asked)
    return Page(lines(rows.together(LINES, *between)), following)


def trims(rows: Rows, units: Sequence[int] | None, asked: Asked) -> Page[Trim]:
    """Of the units of these ids, or of all, in the order they were added; the key is the hash."""
    of_units = "" if units is None else f"AND unit_id IN ({', '.join(map(str, map(int, units)))})"
    between, following = _between(rows, "trim", "sequence", asked, of_units)
    shown = rows.select("trim", f"WHERE sequence BETWEEN ? AND ? {of_units} ORDER BY sequence", *between)
    return Page(tuple(map(to_trim, shown)), following)


def units(rows: Rows, asked: Asked) -> Page[Unit]:
    """By name; several that are one stand there once."""
    shown, following = _named(rows, "unit", asked, "AND same_as_id IS NULL")
    return Page(tuple(map(to_unit, shown)), following)


def frozen_sets(rows: Rows, asked: Asked) -> Page[FrozenSet]:
    """By name."""
    shown, following = _named(rows, "frozen_set", asked)
    return Page(tuple(map(to_frozen_set, shown)), following)


def models(rows: Rows, asked: Asked) -> Page[Model]:
    """By name."""
    shown, following = _named(rows, "model", asked)
    return Page(to_models(shown), following)


def counts(rows: Rows) -> dict[str, int]:
    """How many there are of each kind of thing, names with revisions once."""
    query = "SELECT " + ", ".join(f"({each})" for each in _COUNTED.values())
    (numbers,) = rows.execute(query).fetchall()
    return {what: int(number) for what, number in zip(_COUNTED, numbers, strict=True)}


def _named(rows: Rows, table: str, asked: Asked, only: str = "") -> tuple[list[Any], str | None]:
    """The rows of a page by name, and the key behind which the next one begins."""
    after = asked.after or ""  # which comes before every name
    query = f"SELECT name FROM {table} WHERE name > ? {only} ORDER BY name LIMIT ?"  # noqa: S608 - names and conditions of ours
    names = [name for (name,) in rows.execute(query, after, asked.limit + 1)]
    last = names[: asked.limit][-1] if names else after
    shown = rows.select(table, f"WHERE name > ? AND name <= ? {only} ORDER BY name", after, last)
    return shown, last if len(names) > asked.limit else None


def _between(
    rows: Rows, table: str, place: str, asked: Asked, only: str = ""
) -> tuple[tuple[int, int], str | None]:
    """The least and the greatest number of a page's rows, and the key behind which the next one begins."""
    behind = 0 if asked.after is None else _place(rows, table, place, asked.after)
    query = f"SELECT {place}, sha256 FROM {table} WHERE {place} > ? {only} ORDER BY {place} LIMIT ?"  # noqa: S608 - as above
    keys = rows.execute(query, behind, asked.limit + 1).fetchall()
    shown = keys[: asked.limit]
    if not shown:
        return (0, 0), None
    return (shown[0][0], shown[-1][0]), shown[-1][1] if len(keys) > len(shown) else None


def _place(rows: Rows, table: str, place: str, key: str) -> int:
    """Where the one row stands whose hash begins with ``key``."""
    wanted = key.lower()
    query = f"SELECT {place} FROM {table} WHERE sha256 >= ? AND sha256 < ? LIMIT 2"  # noqa: S608 - as above
    hexadecimal = bool(wanted) and set(wanted) <= _DIGITS
    places = rows.execute(query, wanted, wanted + "g").fetchall() if hexadecimal else []
    if len(places) != 1:
        what = table.removeprefix("capture_")
        raise NotFoundError(
            f"{what} {key[:80]!r}",
            "is the hash of several in the store" if places else "is the hash of none in the store",
            "the key that the page before gave, or nothing for the first page",
        )
    return int(places[0][0])
