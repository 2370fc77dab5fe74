"""Amendments of sessions between rows and records, and which of a session's is in use.

Stores unite their amendments, so the one in use must not hang on the order in which they came: it is the
deepest, and of two that are as deep the one of the greater hash. It states everything in which the session
differs from what was sealed, so that nothing but it and the session is needed to know what the session says.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import InstrumentedAttribute

from dataset.canonical_text import canonical_json
from dataset.errors import StoreError
from dataset.records import ID_DIGITS, Session
from dataset.store.reading.amendments import (
    OCCASION,
    to_amendment,
)
from dataset.store.tables import AmendmentRow, SessionRow


def says(session: Session, what: str) -> Any:
    """What a session says of a field of :class:`Restatement`."""
    return getattr(session.occasion if what in OCCASION else session, what)


def check_chain(row: SessionRow) -> None:
    """StoreError unless each amendment of a session follows ones that are there, and is as deep as it says,
    every hash checked.
    """
    depths = {amendment.sha256: amendment.depth for amendment in row.amendments}
    for amendment in row.amendments:
        to_amendment(amendment)
        where = f"session {row.sha256[:ID_DIGITS]}, amendment {amendment.sha256[:ID_DIGITS]}"
        parents = json.loads(amendment.parents)
        lost = sorted(set(parents) - set(depths))
        if lost:
            raise StoreError(where, f"follows {lost[0][:ID_DIGITS]}, which is not there")
        if amendment.depth != depth_after(depths[parent] for parent in parents):
            raise StoreError(
                where, f"says that it is {amendment.depth} deep", "one more than what it follows"
            )
        for text in (amendment.parents, amendment.body):
            if canonical_json(json.loads(text)) != text:
                raise StoreError(where, "its text is not as innage writes it", "canonical JSON")


def depth_after(parents: Iterable[int]) -> int:
    """How deep an amendment is that follows ones of these depths."""
    return 1 + max(parents, default=0)


def now(sealed: InstrumentedAttribute[int], amended: InstrumentedAttribute[int | None]) -> ColumnElement[int]:
    """What a session refers to now, as a value of a query over sessions: a column of ``capture_session``, and
    that of ``amendment`` that states it anew.
    """
    newest = (
        select(amended)
        .where(AmendmentRow.session_id == SessionRow.id)
        .order_by(AmendmentRow.depth.desc(), AmendmentRow.sha256.desc())
        .limit(1)
        .correlate(SessionRow)
        .scalar_subquery()
    )
    return func.coalesce(newest, sealed)


@cache  # both take as long to make as to ask
def unit_now() -> ColumnElement[int]:
    """The id of the unit that a session is of now."""
    return now(SessionRow.unit_id, AmendmentRow.unit_id)


@cache
def mounting_now() -> ColumnElement[int]:
    """The id of the mounting that a session was captured on, as is said now."""
    return now(SessionRow.mounting_id, AmendmentRow.mounting_id)


def words_apart(amendments: Sequence[AmendmentRow]) -> str:
    """Amendments beside one another, by hash, author and reason."""
    return ", ".join(f"{a.sha256[:ID_DIGITS]} by {a.author} ('{a.reason}')" for a in amendments)
