"""Withdrawing a bundle and taking that back: events with a reason, beside the bundle. It stays where it is.

A bundle is withdrawn while any withdrawal among its events has no take-back of that very one, as with voids.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InputError
from dataset.records import ID_DIGITS, WithdrawalEvent
from dataset.store import tables
from dataset.store.events.following import check_follows, instant
from dataset.store.proof import check_row, keep
from dataset.store.results.bundles import bundle_row
from dataset.values import check_reason


def withdraw(orm: OrmSession, bundle: str, author: str, reason: str, when: datetime) -> WithdrawalEvent:
    """Record that a bundle must not be used."""
    export = bundle_row(orm, bundle)
    where = f"bundle {export.bundle_sha256[:ID_DIGITS]}"
    check_reason(f"{where}, author", author, "who withdrew it")
    check_reason(f"{where}, reason", reason, "what is wrong with it")
    because = withdrawn(orm, export.bundle_sha256)
    if because is not None:
        raise InputError(where, f"is withdrawn already ('{because}')")
    rows = _rows(orm, export.bundle_sha256)
    followed = {row.parent_sha256 for row in rows if not row.takes_back}
    last = [row for row in rows if row.takes_back and row.record_sha256 not in followed]
    follows = max((str(row.record_sha256) for row in last), default=None)
    return _say(orm, export.bundle_sha256, author, reason, when, follows)


def take_back(
    orm: OrmSession, bundle: str, author: str, reason: str, when: datetime
) -> tuple[WithdrawalEvent, ...]:
    """Record that a bundle can be used after all: every withdrawal of it that stands is taken back."""
    export = bundle_row(orm, bundle)
    where = f"bundle {export.bundle_sha256[:ID_DIGITS]}"
    check_reason(f"{where}, author", author, "who takes it back")
    check_reason(f"{where}, reason", reason, "why it can be used after all")
    standing = _standing(_rows(orm, export.bundle_sha256))
    if not standing:
        raise InputError(where, "is not withdrawn", "a bundle that is")
    return tuple(
        _say(orm, export.bundle_sha256, author, reason, when, row.record_sha256, takes_back=True)
        for row in standing
    )


def _say(
    orm: OrmSession,
    bundle_sha256: str,
    author: str,
    reason: str,
    when: datetime,
    follows: str | None,
    *,
    takes_back: bool = False,
) -> WithdrawalEvent:
    row = tables.WithdrawalRow(
        bundle_sha256=bundle_sha256,
        reason=reason,
        author=author,
        said_at=instant(when),
        parent_sha256=follows,
        takes_back=takes_back or None,
    )
    keep(orm, row)
    return to_event(row)


def withdrawn(orm: OrmSession, bundle_sha256: str) -> str | None:
    """Why a bundle must not be used, every standing reason of it; None where it may be."""
    reasons = sorted({row.reason for row in _standing(_rows(orm, bundle_sha256))})
    return "; ".join(reasons) if reasons else None


def every_withdrawn(orm: OrmSession) -> dict[str, str]:
    """By the hashes of bundles that must not be used: why, every standing reason of each."""
    by_bundle: dict[str, list[tables.WithdrawalRow]] = {}
    for row in orm.scalars(select(tables.WithdrawalRow).order_by(tables.WithdrawalRow.id)):
        by_bundle.setdefault(row.bundle_sha256, []).append(row)
    standing = {key: sorted({row.reason for row in _standing(rows)}) for key, rows in by_bundle.items()}
    return {key: "; ".join(reasons) for key, reasons in standing.items() if reasons}


def events(orm: OrmSession, bundle: str) -> tuple[WithdrawalEvent, ...]:
    """What was said of a bundle, in order, every hash checked."""
    return tuple(map(to_event, _rows(orm, bundle_row(orm, bundle).bundle_sha256)))


def check_withdrawal(orm: OrmSession, key: int | str) -> None:
    """StoreError unless an event has its hash, and follows one that it can follow."""
    row = orm.get_one(tables.WithdrawalRow, key)
    to_event(row)
    check_follows(f"withdrawal of bundle {row.bundle_sha256[:ID_DIGITS]}", row, _rows(orm, row.bundle_sha256))


def to_event(row: tables.WithdrawalRow) -> WithdrawalEvent:
    """The record, its hash checked again."""
    check_row(row, f"withdrawal of bundle {row.bundle_sha256[:ID_DIGITS]}")
    return WithdrawalEvent(
        str(row.record_sha256),
        row.parent_sha256,
        row.bundle_sha256,
        row.author,
        row.reason,
        row.said_at,
        bool(row.takes_back),
    )


def _rows(orm: OrmSession, bundle_sha256: str) -> list[tables.WithdrawalRow]:
    query = select(tables.WithdrawalRow).where(tables.WithdrawalRow.bundle_sha256 == bundle_sha256)
    return list(orm.scalars(query.order_by(tables.WithdrawalRow.id)))


def _standing(rows: Sequence[tables.WithdrawalRow]) -> list[tables.WithdrawalRow]:
    """The withdrawals that nobody took back."""
    taken_back = {row.parent_sha256 for row in rows if row.takes_back}
    return [row for row in rows if not row.takes_back and row.record_sha256 not in taken_back]
