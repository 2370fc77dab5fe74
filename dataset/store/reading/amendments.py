"""Rows of amendments as records, and which of them a session is read by; see
``dataset.store.events.amendments``.
"""

from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import TYPE_CHECKING

from dataset.canonical import amendment_from, amendment_sha256
from dataset.errors import StoreError
from dataset.records import ID_DIGITS, Occasion, Restatement, Session, SessionAmendment
from dataset.store.proof import changed
from dataset.store.reading.registry import sealed_unit, stated_unit, to_liquid, to_mounting, to_unit

if TYPE_CHECKING:
    from dataset.store.tables import AmendmentRow, SessionRow

STATED = tuple(field.name for field in fields(Restatement))


OCCASION = frozenset(field.name for field in fields(Occasion))


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
    """The names of the import checks that warn of a session as it is amended."""
    amendment = in_use(row)
    if amendment is None:
        return tuple(warning.check_name for warning in row.warnings)
    _, warnings = amendment_from(json.loads(amendment.body))
    return tuple(warning.check for warning in warnings)


def over(session: Session, stated: Restatement) -> Session:
    """The session with what is stated of it."""
    given = {what: value for what in STATED if (value := getattr(stated, what)) is not None}
    occasion = {what: value for what, value in given.items() if what in OCCASION}
    return replace(
        session,
        **{what: value for what, value in given.items() if what not in OCCASION},
        occasion=replace(session.occasion, **occasion),
    )
