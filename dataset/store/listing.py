"""What lists and completions show, read straight from the file or the server: the object-relational mapper
takes longer to load than such a query runs.

Nothing here writes, makes or upgrades a store. A file that is not a store of the newest revision is answered
with None, and :class:`dataset.store.Store` then says what is the matter with it, or upgrades it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any, Protocol, TypeVar

from dataset.coverage.condition_words import words_of_content
from dataset.errors import StoreError
from dataset.records import ID_DIGITS, Amendment, newest_amendment
from dataset.store.places import Address, Place
from dataset.store.reachable import connect
from dataset.store.reading.rows import together
from dataset.values import natural
from dataset.words import REGISTERED, ModelStatus
from migrations import REVISIONS

TIMEOUT_S = 5.0
T = TypeVar("T")


class Rows(Protocol):
    """What reads rows: a connection of either driver."""

    def execute(self, query: str, values: Sequence[Any] = (), /) -> Any:
        """A cursor over the rows of a query, whose values stand for its question marks."""


_NAMES = {
    "bench": "SELECT name FROM bench ORDER BY name",
    "budget": "SELECT name FROM budget ORDER BY name",
    "capture": "SELECT name FROM open_capture ORDER BY name",
    "frozen": "SELECT name FROM frozen_set ORDER BY name",
    "instrument": "SELECT DISTINCT name FROM instrument ORDER BY name",
    "limits": "SELECT DISTINCT name FROM limits ORDER BY name",
    "liquid": "SELECT name FROM liquid ORDER BY name",
    "mapping": "SELECT name FROM mapping ORDER BY name",
    "model": "SELECT name FROM model ORDER BY name",
    "mounting": "SELECT name FROM mounting ORDER BY name",
    "operator": "SELECT name FROM operator ORDER BY name",
    "sensor": "SELECT DISTINCT name FROM sensor ORDER BY name",
    "session": f"SELECT substr(sha256, 1, {ID_DIGITS}) FROM capture_session ORDER BY id",  # noqa: S608 - a number of ours
    "standard": "SELECT DISTINCT name FROM check_standard ORDER BY name",
    "tag": "SELECT DISTINCT tag FROM tag_event ORDER BY tag",
    "tank": "SELECT DISTINCT name FROM tank ORDER BY name",
    "unit": "SELECT name FROM unit WHERE same_as_id IS NULL ORDER BY name",
}
_STANDING = """
SELECT e.name, e.object_sha256 FROM retirement_event e WHERE e.kind = ? AND e.takes_back IS NOT TRUE
    AND NOT EXISTS (SELECT 1 FROM retirement_event b WHERE b.takes_back AND b.parent_sha256 = e.record_sha256)
"""
_RETIRED_UNITS = f"""
SELECT u.name FROM unit r JOIN unit u ON u.id = coalesce(r.same_as_id, r.id)
WHERE r.identity IN (SELECT object_sha256 FROM ({_STANDING}))
"""  # noqa: S608 - a query of ours inside another
_STATUSES = """
SELECT m.name, e.status, e.record_sha256, e.parents FROM status_event e JOIN model m ON m.id = e.model_id
"""
_SESSIONS = """
SELECT s.id, substr(s.sha256, 1, 12), u.name, l.name, m.name, s.frames, s.source_file,
    s.simulated, (SELECT CAST(coalesce(sum(stop - start), 0) AS bigint) FROM mark WHERE session_id = s.id),
    (SELECT count(*) FROM door_warning WHERE session_id = s.id),
    (SELECT t.name || '@' || t.revision FROM tank t WHERE t.id = m.tank_id), s.operator, s.bench, s.started
FROM capture_session s JOIN unit r ON r.id = s.unit_id JOIN unit u ON u.id = coalesce(r.same_as_id, r.id)
    JOIN liquid l ON l.id = s.liquid_id
    JOIN mounting m ON m.id = s.mounting_id
WHERE s.id BETWEEN ? AND ? ORDER BY s.id
"""
_VOIDS = """
SELECT DISTINCT v.session_id, v.reason FROM void_event v
WHERE v.session_id BETWEEN ? AND ? AND v.takes_back IS NOT TRUE AND NOT EXISTS (
    SELECT 1 FROM void_event b
    WHERE b.session_id = v.session_id AND b.takes_back AND b.parent_sha256 = v.record_sha256)
ORDER BY v.session_id, v.reason
"""
_AMENDMENTS = """
SELECT a.session_id, u.name, l.name, m.name, t.name || '@' || t.revision, a.body, a.sha256, a.parents
FROM amendment a LEFT JOIN unit r ON r.id = a.unit_id
    LEFT JOIN unit u ON u.id = coalesce(r.same_as_id, r.id) LEFT JOIN liquid l ON l.id = a.liquid_id
    LEFT JOIN mounting m ON m.id = a.mounting_id LEFT JOIN tank t ON t.id = m.tank_id
WHERE a.session_id BETWEEN ? AND ? ORDER BY a.session_id, a.depth, a.sha256
"""
_REVISIONS = """
SELECT session_id, sha256, parent_sha256, body FROM mark_revision
WHERE session_id BETWEEN ? AND ? ORDER BY session_id, sequence
"""
_STRETCHES = """
SELECT session_id, body FROM condition_stretch WHERE session_id BETWEEN ? AND ? ORDER BY session_id, position
"""
_CHECKS = """
SELECT session_id, check_name FROM door_warning WHERE session_id BETWEEN ? AND ? ORDER BY session_id, position
"""
_TAGS = """
SELECT DISTINCT session_id, tag FROM tag_event e
WHERE session_id BETWEEN ? AND ? AND NOT removes AND NOT EXISTS (
    SELECT 1 FROM tag_event r
    WHERE r.session_id = e.session_id AND r.removes AND r.parent_sha256 = e.record_sha256)
ORDER BY session_id, tag
"""
LINES = (_SESSIONS, _REVISIONS, _STRETCHES, _CHECKS, _TAGS, _VOIDS, _AMENDMENTS)
EVERY_ROW = (0, 2**62)  # the least and the greatest number of a row
_BETWEEN = "BETWEEN ? AND ?"


@dataclass(frozen=True)
class SessionLine:
    """A capture session as a list shows it, as amended; ``labelled`` counts the frames whose level is known
    by its newest marks. ``tank`` is NAME@REVISION, ``conditions`` are words that hold somewhere in it,
    ``checks`` the names of those that warned. ``amendments`` counts those that no other follows: two of them
    contradict each other.
    """

    id: str
    unit: str
    liquid: str
    mounting: str
    frames: int
    labelled: int
    warnings: int
    file: str
    simulated: bool
    void_reason: str | None
    tank: str
    conditions: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    operator: str | None = None
    bench: str | None = None
    started: str | None = None
    amendments: int = 0

    def amended(self, stated: Mapping[str, Any] | None) -> SessionLine:
        """The line as the amendment in use states it; None: there is none."""
        return self if stated is None else replace(self, **stated)


def names(path: Place, what: str, *, retired: bool = True) -> tuple[str, ...] | None:
    """The names of a kind (``tank``, ``unit``, ``session``, ...) in the store at ``path``; without
    ``retired`` units and models only where they are in use (of other kinds see :func:`any_retired`). None
    where that is no store of the newest revision.
    """
    query = _NAMES[what]
    order = (lambda name: 0) if what == "session" else natural  # sessions stay as they were logged

    def work(connection: Rows) -> tuple[str, ...]:
        left_out = frozenset[str]() if retired else _out_of_use(connection, what)
        known = (name for (name,) in connection.execute(query) if name not in left_out)
        return tuple(sorted(known, key=order))

    return _reading(path, work)


def _out_of_use(connection: Rows, what: str) -> frozenset[str]:
    """The names of retired units, and of models that are said to be so."""
    if what == "model":
        said = connection.execute(_STATUSES).fetchall()
        followed = {parent for *_, parents in said for parent in json.loads(parents)}
        return frozenset(
            name
            for name, status, sha256, _ in said
            if status == ModelStatus.RETIRED and sha256 not in followed
        )
    if what == "unit":
        return frozenset(name for (name,) in connection.execute(_RETIRED_UNITS, (what,)))
    return frozenset()


def any_retired(path: Place, what: str) -> bool:
    """Whether a retirement of a kind stands whose records are known by their documents, which are read by
    :class:`dataset.store.Store` alone.
    """
    if what not in REGISTERED or what == "unit":
        return False
    return bool(_reading(path, lambda connection: connection.execute(_STANDING, (what,)).fetchall()))


def bench_names(path: Place) -> dict[str, str]:
    """What the store at ``path`` calls benches, by their identities; nothing where that can't be read."""
    query = "SELECT identity, name FROM bench"
    return _reading(path, lambda connection: dict(connection.execute(query).fetchall())) or {}


def session_lines(path: Place) -> tuple[SessionLine, ...] | None:
    """All capture sessions in the order they were logged, void ones included; None where ``path`` is no store
    of the newest revision.
    """
    return _reading(path, lambda connection: lines(together(connection, LINES, EVERY_ROW)))


def lines(answers: Sequence[Iterable[Any]]) -> tuple[SessionLine, ...]:
    """The capture sessions between two numbers of rows, in order: ``answers`` are the rows of ``LINES``,
    whose question marks stand for the least number and the greatest.
    """
    of_sessions, revisions, stretches, warned, tagged, voided, amended_by = answers
    amended = {
        session: _labelled([(Amendment(sha256, parent), body) for _, sha256, parent, body in rows])
        for session, rows in groupby(revisions, key=lambda row: row[0])
    }
    words = _gathered((key, word) for key, body in stretches for word in _words(body))
    checks, tags, voids = _gathered(warned), _gathered(tagged), _gathered(voided)
    stated = {session: _stated(list(rows)) for session, rows in groupby(amended_by, key=lambda row: row[0])}
    return tuple(
        SessionLine(
            ref,
            unit,
            liquid,
            mounting,
            frames,
            amended.get(key, sealed),
            warnings,
            file,
            bool(simulated),
            "; ".join(voids[key]) if key in voids else None,
            tank,
            words.get(key, ()),
            checks.get(key, ()),
            tags.get(key, ()),
            operator,
            bench,
            started,
        ).amended(stated.get(key))
        for (
            key,
            ref,
            unit,
            liquid,
            mounting,
            frames,
            file,
            simulated,
            sealed,
            warnings,
            tank,
            operator,
            bench,
            started,
        ) in of_sessions
    )


def lines_of(number: int) -> tuple[str, ...]:
    """``LINES`` of so many sessions, whose question marks stand for the numbers of their rows."""
    marks = ", ".join("?" * number)
    return tuple(query.replace(_BETWEEN, f"IN ({marks})") for query in LINES)


def _gathered(pairs: Iterable[tuple[int, str]]) -> dict[int, tuple[str, ...]]:
    """By session what belongs to it, each once, in order."""
    gathered: dict[int, dict[str, None]] = {}
    for session, word in pairs:
        gathered.setdefault(session, {})[word] = None
    return {session: tuple(words) for session, words in gathered.items()}


def _words(body: str) -> tuple[str, ...]:
    return words_of_content(json.loads(body))


def _stated(rows: list[Any]) -> dict[str, Any]:
    """What the amendment in use says, which is the last one: of a session's, in order of depth and hash."""
    followed = {parent for *_, parents in rows for parent in json.loads(parents)}
    _, unit, liquid, mounting, tank, body, _, _ = rows[-1]
    content = json.loads(body)
    places = {"unit": unit, "liquid": liquid, "mounting": mounting, "tank": tank}
    occasion = {key: content.get(key) for key in ("operator", "bench", "started")}
    checks = [check for check, _ in content.get("warnings", ())]
    stated = {what: fact for what, fact in (places | occasion).items() if fact is not None}
    if "stretches" in content:
        words = [word for *_, held in content["stretches"] for word in words_of_content(held)]
        stated["conditions"] = tuple(dict.fromkeys(words))
    return stated | {
        "warnings": len(checks),
        "checks": tuple(dict.fromkeys(checks)),
        "amendments": sum(sha256 not in followed for *_, sha256, _ in rows),
    }


def _labelled(revisions: list[tuple[Amendment, str]]) -> int:
    newest = newest_amendment(amendment for amendment, _ in revisions)
    body = next(body for amendment, body in revisions if amendment.sha256 == newest)
    return sum(stop - start for start, stop, *_ in json.loads(body))


def _reading(path: Place, work: Callable[[Rows], T]) -> T | None:
    """The outcome of ``work`` in one reading transaction, or None for anything but a store of the newest
    revision.
    """
    try:
        if isinstance(path, Address):
            return _on_server(path, work)
        if not path.is_file():
            return None
        with closing(connect(path, TIMEOUT_S)) as connection:
            connection.execute("BEGIN")
            return _of_newest(connection, work)
    except (
        sqlite3.Error,
        StoreError,
        ValueError,
        LookupError,
        TypeError,
    ):  # the store says what is wrong with it
        return None


def _of_newest(connection: Rows, work: Callable[[Rows], T]) -> T | None:
    if [tuple(row) for row in connection.execute("SELECT version_num FROM alembic_version")] != [
        (REVISIONS[-1],)
    ]:
        return None
    return work(connection)


def _on_server(address: Address, work: Callable[[Rows], T]) -> T | None:
    from dataset.store.server.driver import told
    from dataset.store.server.reading import reading

    with told(address, TIMEOUT_S), reading(address, TIMEOUT_S) as rows:
        return _of_newest(rows, work)
