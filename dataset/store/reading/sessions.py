"""Rows of capture sessions as records."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from dataset.canonical import conditions_from, mark_revision_sha256, marks_from, session_sha256
from dataset.errors import StoreError
from dataset.records import (
    ID_DIGITS,
    Amendment,
    Conditions,
    DoorWarning,
    Mark,
    MarkRevision,
    Occasion,
    Recording,
    Session,
    Source,
    Stretch,
    newest_amendment,
)
from dataset.store.proof import changed
from dataset.store.reading import amendments
from dataset.store.reading.registry import Shared, flat, made
from dataset.store.reading.tagging import tags_of
from dataset.store.reading.voiding import void_reason

if TYPE_CHECKING:
    from dataset.store.reading.rows import Rows
    from dataset.store.tables import MarkRevisionRow, SessionRow

NEWEST = "newest"


def to_sessions(rows: Iterable[SessionRow]) -> tuple[Session, ...]:
    """The records of many rows; what many of them share is made once."""
    shared = Shared()
    return tuple(to_session(row, shared=shared) for row in rows)


def every_session(rows: Rows) -> tuple[Session, ...]:
    """All sessions in the order they were logged."""
    every = rows.select("capture_session", "ORDER BY id")
    rows.keep("capture_session", "id", every)
    return to_sessions(every)


_MEMBERS = (
    "id IN (SELECT m.session_id FROM frozen_session m JOIN frozen_set s ON s.id = m.frozen_set_id "
    "WHERE s.name = ?)"
)
_AMENDED = "(id IN (SELECT session_id FROM amendment) OR id IN (SELECT session_id FROM mark_revision))"


def of_frozen_set(rows: Rows, name: str, *, amended: bool = False) -> tuple[Session, ...]:
    """The sessions of a frozen set as they are now, in the order they were logged; ``amended`` gives those
    alone that were amended, or have a later revision of their marks.
    """
    wanted = f"{_MEMBERS} AND {_AMENDED}" if amended else _MEMBERS
    return to_sessions(rows.select("capture_session", f"WHERE {wanted} ORDER BY id", name))


def to_session(
    row: SessionRow,
    revision: str | None = NEWEST,
    amendment: str | None = NEWEST,
    shared: Shared | None = None,
) -> Session:
    """What a session says: with the marks of ``revision`` (a hash), of the newest one, or (None) as they were
    sealed, and with what ``amendment`` states (a hash), the one in use, or (None) as it was sealed.

    ``shared`` are the records that rows of the same store have led to.
    """
    shared = shared or Shared()
    sealed = tuple([flat(Mark, mark) for mark in row.marks])
    revised = _revision(row, revision)
    facts: dict[str, Any] = {
        "id": row.sha256[:ID_DIGITS],
        "sha256": row.sha256,
        "unit": shared.unit(row),
        "liquid": shared.liquid(row),
        "mounting": shared.mounting(row),
        "frames": row.frames,
        "marks": sealed if revised is None else revised.marks,
        "source": Source(row.source_file, row.source_sha256),
        "note": row.note,
        "void_reason": void_reason(row),
        "stretches": tuple(
            [
                made(Stretch, {"start": s.start, "stop": s.stop, "conditions": _conditions(s.body)})
                for s in row.stretches
            ]
        ),
        "mark_revision": None if revised is None else revised.sha256,
        "sealed_marks": None if revised is None else sealed,
        "warnings": tuple([DoorWarning(w.check_name, w.sentence) for w in row.warnings]),
        "simulated": bool(row.simulated),
        "occasion": Occasion(row.operator, row.bench, row.started, row.firmware),
        "tags": tags_of(row),
        "instruments": () if row.instruments is None else tuple(json.loads(row.instruments)),
        "sealed_unit": shared.sealed_unit(row),
    }
    session = made(Session, facts)
    if amendment is None or (amendment == NEWEST and not row.amendments):
        return session
    amended_by = amendments.in_use(row) if amendment == NEWEST else amendments.of_hash(row, amendment)
    return amendments.effective(session, row, amended_by)


@lru_cache(1024)  # thousands of stretches state the same
def _conditions(body: str) -> Conditions:
    return conditions_from(json.loads(body))


def _revision(row: SessionRow, revision: str | None) -> MarkRevision | None:
    candidates = [r for r in row.mark_revisions if revision in (NEWEST, r.sha256)]
    if revision is not None and revision != NEWEST and not candidates:
        raise StoreError(
            f"session {row.sha256[:ID_DIGITS]}",
            "has no revision of its marks of this hash",
            revision[:ID_DIGITS],
        )
    if not candidates or revision is None:
        return None
    newest = newest_amendment(Amendment(r.sha256, r.parent_sha256) for r in candidates)
    return to_mark_revision(next(r for r in candidates if r.sha256 == newest))


def to_mark_revision(row: MarkRevisionRow) -> MarkRevision:
    """The record, its hash checked again."""
    marks = marks_from(json.loads(row.body))
    actual = mark_revision_sha256(row.session.sha256, row.parent_sha256, row.author, row.reason, marks)
    if actual != row.sha256:
        raise changed(
            f"marks of session {row.session.sha256[:ID_DIGITS]}, revision {row.sha256[:ID_DIGITS]}",
            actual,
            row.sha256,
        )
    return MarkRevision(row.sha256, row.session.sha256, row.parent_sha256, row.author, row.reason, marks)


def revisions_of(row: SessionRow) -> tuple[MarkRevision, ...]:
    """The later revisions of a session's marks, in the order they came into this store, every
    hash checked.
    """
    return tuple(to_mark_revision(revision) for revision in row.mark_revisions)


def check(session: Session, its_frames: Recording) -> None:
    """Hash a session's content again and compare; StoreError when it is not what was sealed."""
    actual = session_sha256(session, its_frames)
    if actual != session.sha256:
        raise changed(f"session {session.id}", actual, session.sha256)
