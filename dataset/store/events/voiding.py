"""Voiding a session and taking that back: events with a reason, outside the session's hash.

Stores unite their events, so whether a session is void must not hang on their order: it is void while any
void among its events has no take-back of that very void.
"""

from __future__ import annotations

from functools import cache

from sqlalchemy import ColumnElement, exists
from sqlalchemy.orm import Session as OrmSession
from sqlalchemy.orm import aliased

from dataset.errors import InputError
from dataset.records import ID_DIGITS
from dataset.store.events.following import check_follows
from dataset.store.proof import keep
from dataset.store.reading.voiding import standing, void_reason
from dataset.store.tables import SessionRow, VoidRow
from dataset.values import check_reason


@cache  # it takes as long to make as to ask
def is_void() -> ColumnElement[bool]:
    """The same as a condition of a query over sessions."""
    void, back = aliased(VoidRow), aliased(VoidRow)
    taken_back = exists().where(back.takes_back.is_(True), back.parent_sha256 == void.record_sha256)
    return exists().where(void.session_id == SessionRow.id, void.takes_back.is_not(True), ~taken_back)


def void(orm: OrmSession, row: SessionRow, reason: str) -> None:
    """Record that a session is not to be used, and why; it stays where it is."""
    where = f"session {row.sha256[:ID_DIGITS]}"
    check_reason(f"{where}, reason", reason, "what was wrong")
    because = void_reason(row)
    if because is not None:
        raise InputError(where, f"is void already ('{because}')")
    follows = max((str(e.record_sha256) for e in _last(row)), default=None)
    keep(orm, VoidRow(session=row, reason=reason, parent_sha256=follows))


def take_back(orm: OrmSession, row: SessionRow, reason: str) -> None:
    """Record that a session can be used after all, and why: every void of it that stands is taken back."""
    where = f"session {row.sha256[:ID_DIGITS]}"
    check_reason(f"{where}, reason", reason, "why it can be used after all")
    voids = standing(row)
    if not voids:
        raise InputError(where, "is not void", "a void session")
    for event in voids:
        keep(orm, VoidRow(session=row, reason=reason, parent_sha256=event.record_sha256, takes_back=True))


def check_parents(row: VoidRow) -> None:
    """StoreError unless an event follows one of its session that it can follow."""
    check_follows(f"void of session {row.session.sha256[:ID_DIGITS]}", row, row.session.voids)


def _last(row: SessionRow) -> list[VoidRow]:
    """The take-backs that no void followed yet."""
    followed = {event.parent_sha256 for event in row.voids if not event.takes_back}
    return [e for e in row.voids if e.takes_back and e.record_sha256 not in followed]
