"""Amendments of sessions between rows and records, and which of a session's is in use.

Stores unite their amendments, so the one in use must not hang on the order in which they came: it is the
deepest, and of two that are as deep the one of the greater hash. It states everything in which the session
differs from what was sealed, so that nothing but it and the session is needed to know what the session says.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from typing import Any

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import InstrumentedAttribute

from dataset.canonical import amendment_from, amendment_sha256, canonical_json
from dataset.errors import StoreError
from dataset.records import ID_DIGITS, Occasion, Restatement, Session, SessionAmendment
from dataset.store.proof import changed
from dataset.store.registry import sealed_unit, stated_unit, to_liquid, to_mounting, to_unit
from dataset.store.tables import AmendmentRow, SessionRow

STATED = tuple(field.name for field in fields(Restatement))
_OCCASION = frozenset(field.name for field in fields(Occasion))


def in_use(row: SessionRow) -> AmendmentRow | None:
    """The amendment by which a session is read; None where it is as sealed."""
    return max(row.amendments, key=lambda a: (a.depth, a.sha256), default=None)


def of_hash(row: SessionRow, sha256: str) -> AmendmentRow:
    """The amendment of a session with that hash; StoreError where there is none."""
    for amendment in row.amendments:
        if amendment.sha256 == sha256:
            return amendment
    raise StoreError(f"session {row.sha256[:ID_DIGITS]}", "has no amendment of this hash", sha256[:ID_DIGITS])


def last(row: SessionRow) -> list[AmendmentRow]:
    """The amendments that no other follows, by hash: more than one after two benches amended one session."""
    followed = {parent for amendment in row.amendments for parent in json.loads(amendment.parents)}
    return sorted((a for a in row.amendments if a.sha256 not in followed), key=lambda a: a.sha256)


def to_amendment(row: AmendmentRow) -> SessionAmendment:
    """The record, its hash checked again."""
    stated, warnings = amendment_from(json.loads(row.body))
    stated = replace(
        stated,
        unit=None if row.unit is None else stated_unit(row.unit),
        liquid=None if row.liquid is None else to_liquid(row.liquid),
        mounting=None if row.mounting is None else to_mounting(row.mounting),
    )
    parents = tuple(json.loads(row.parents))
    session = row.session.sha256
    actual = amendment_sha256(session, parents, row.author, row.reason, stated, warnings)
    if actual != row.sha256:
        where = f"session {session[:ID_DIGITS]}, amendment {row.sha256[:ID_DIGITS]}"
        raise changed(where, actual, row.sha256)
    if row.unit is not None:
        stated = replace(stated, unit=to_unit(row.unit))
    return SessionAmendment(row.sha256, session, parents, row.author, row.reason, stated, warnings)


def amendments_of(row: SessionRow) -> tuple[SessionAmendment, ...]:
    """The amendments of a session, each after those that it follows, every hash checked."""
    return tuple(map(to_amendment, sorted(row.amendments, key=lambda a: (a.depth, a.sha256))))


def effective(sealed: Session, row: SessionRow, amendment: AmendmentRow | None) -> Session:
    """What a session says now: as it was sealed, but for what the amendment states."""
    if amendment is None:
        return sealed
    record, apart = to_amendment(amendment), last(row)
    unit = amendment.unit
    return replace(
        over(sealed, record.stated),
        sealed_unit=sealed.sealed_unit if unit is None else sealed_unit(unit),
        warnings=record.warnings,
        amendment=record.sha256,
        as_sealed=sealed,
        amended_apart=tuple(a.sha256 for a in apart) if len(apart) > 1 else (),
    )


def checks_now(row: SessionRow) -> tuple[str, ...]:
    """The names of the checks at the door that warn of a session as it is amended."""
    amendment = in_use(row)
    if amendment is None:
        return tuple(warning.check_name for warning in row.warnings)
    _, warnings = amendment_from(json.loads(amendment.body))
    return tuple(warning.check for warning in warnings)


def over(session: Session, stated: Restatement) -> Session:
    """The session with what is stated of it."""
    given = {what: value for what in STATED if (value := getattr(stated, what)) is not None}
    occasion = {what: value for what, value in given.items() if what in _OCCASION}
    return replace(
        session,
        **{what: value for what, value in given.items() if what not in _OCCASION},
        occasion=replace(session.occasion, **occasion),
    )


def says(session: Session, what: str) -> Any:
    """What a session says of a field of :class:`Restatement`."""
    return getattr(session.occasion if what in _OCCASION else session, what)


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


def unit_now() -> ColumnElement[int]:
    """The id of the unit that a session is of now."""
    return now(SessionRow.unit_id, AmendmentRow.unit_id)


def mounting_now() -> ColumnElement[int]:
    """The id of the mounting that a session was captured on, as is said now."""
    return now(SessionRow.mounting_id, AmendmentRow.mounting_id)


def words_apart(amendments: Sequence[AmendmentRow]) -> str:
    """Amendments beside one another, by hash, author and reason."""
    return ", ".join(f"{a.sha256[:ID_DIGITS]} by {a.author} ('{a.reason}')" for a in amendments)
