"""Retiring what is registered and taking that back: events with a reason, known by the hash of the record's
document, which is the same in every store. What a check standard measured is void by such an event too.

As with voids, nothing hangs on the order in which stores unite: a record is retired while any retirement
among its events has no take-back of that very one.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import or_, select
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical_text import sha256
from dataset.documents import name_of
from dataset.errors import InputError
from dataset.records import CheckMeasurement, Instrument, Limits, Registered, RetirementEvent, Unit
from dataset.store.events.following import check_follows
from dataset.store.proof import check_row, keep
from dataset.store.tables import RetirementRow, UnitRow
from dataset.values import check_reason

MEASUREMENT = "check measurement"  # the kind of what is void by such an event
Retirable = Registered | CheckMeasurement


def reason_of(orm: OrmSession, kind: str, record: Retirable) -> str | None:
    """Why a record is retired, every standing reason of it; None where it is in use."""
    reasons = sorted({event.reason for event in standing(rows_of(orm, kind, record))})
    return "; ".join(reasons) if reasons else None


def any_said(orm: OrmSession, kind: str | None = None) -> bool:
    """Whether anything, or anything of a kind, was ever retired in this store."""
    said_of = select(RetirementRow.sequence).limit(1)
    return orm.scalar(said_of if kind is None else said_of.where(RetirementRow.kind == kind)) is not None


def rows_of(orm: OrmSession, kind: str, record: Retirable) -> Sequence[RetirementRow]:
    """What was said of a record, in the order in which it came into this store; of a unit, under any of the
    identities that it has.
    """
    hashes = [object_sha256(record)]
    if isinstance(record, Unit):
        shown = select(UnitRow.id).where(UnitRow.name == record.name).scalar_subquery()
        hashes = list(
            orm.scalars(select(UnitRow.identity).where(or_(UnitRow.id == shown, UnitRow.same_as_id == shown)))
        )
    said = select(RetirementRow).where(RetirementRow.object_sha256.in_(hashes))
    return orm.scalars(said.order_by(RetirementRow.sequence)).all()


def object_sha256(record: Retirable) -> str:
    """The hash by which a record is known in every store; of limits with their signer, since signing makes
    another revision of the same rows, and of an instrument whatever its calibration.
    """
    if isinstance(record, Instrument):
        return sha256({"instrument": record.name, "kind": record.kind.value, "bench": record.bench})
    name = name_of(record)
    return sha256({"limits": name, "signer": record.signer}) if isinstance(record, Limits) else name


def of_object(orm: OrmSession, object_sha256: str) -> Sequence[RetirementRow]:
    """What was said of the record whose document has this hash."""
    same = (
        select(RetirementRow)
        .where(RetirementRow.object_sha256 == object_sha256)
        .order_by(RetirementRow.sequence)
    )
    return orm.scalars(same).all()


def standing(rows: Sequence[RetirementRow]) -> list[RetirementRow]:
    """The retirements that nobody took back."""
    taken_back = {event.parent_sha256 for event in rows if event.takes_back}
    return [e for e in rows if not e.takes_back and e.record_sha256 not in taken_back]


def events(orm: OrmSession, kind: str, record: Retirable) -> tuple[RetirementEvent, ...]:
    """What was said of a record, every hash checked."""
    rows = rows_of(orm, kind, record)
    for row in rows:
        check_row(row, f"retirement of {kind} {row.name}")
    return tuple(
        RetirementEvent(str(r.record_sha256), r.parent_sha256, r.reason, bool(r.takes_back)) for r in rows
    )


def said(kind: str, *, takes_back: bool = False) -> str:
    """What an event says of a record of a kind."""
    if takes_back:
        return "taken back"
    return "void" if kind == MEASUREMENT else "retired"


def retire(orm: OrmSession, kind: str, record: Retirable, reason: str) -> None:
    """Record that something of the registry is not to be used from now on, and why, or that a measurement is
    void; it stays readable.
    """
    where = f"{kind} {label(record)}"
    check_reason(f"{where}, reason", reason, "why it is out of use")
    because = reason_of(orm, kind, record)
    if because is not None:
        raise InputError(where, f"is {said(kind)} already ('{because}')")
    rows = rows_of(orm, kind, record)
    followed = {row.parent_sha256 for row in rows if not row.takes_back}
    last = [row for row in rows if row.takes_back and row.record_sha256 not in followed]
    follows = max(last, key=lambda row: str(row.record_sha256), default=None)
    _keep(orm, kind, record, reason, follows, takes_back=None)


def take_back(orm: OrmSession, kind: str, record: Retirable, reason: str) -> None:
    """Record that it can be used again, and why: every retirement of it that stands is taken back."""
    where = f"{kind} {label(record)}"
    check_reason(f"{where}, reason", reason, "why it can be used after all")
    retired = standing(rows_of(orm, kind, record))
    if not retired:
        raise InputError(where, f"is not {said(kind)}", f"one that is {said(kind)}")
    for event in retired:
        _keep(orm, kind, record, reason, event, takes_back=True)


def _keep(
    orm: OrmSession,
    kind: str,
    record: Retirable,
    reason: str,
    follows: RetirementRow | None,
    *,
    takes_back: bool | None,
) -> None:
    row = RetirementRow(
        kind=kind,
        name=(record.standard if isinstance(record, CheckMeasurement) else record).name.partition("@")[0],
        object_sha256=object_sha256(record) if follows is None else follows.object_sha256,
        reason=reason,
        parent_sha256=None if follows is None else follows.record_sha256,
        takes_back=takes_back,
    )
    keep(orm, row)


def refuse_retired(orm: OrmSession, kind: str, record: Registered) -> None:
    """InputError for what is out of use."""
    because = reason_of(orm, kind, record)
    if because is not None:
        call = f"Store.take_back_retirement('{kind}', '{label(record)}')"
        raise InputError(
            f"{kind} {label(record)}",
            f"is retired ('{because}')",
            "one that is in use",
            f"name another, or take that back with {call}",
            fields=(call,),
        )


def label(record: Retirable) -> str:
    """``name@revision``, or the name where there are no revisions; a measurement by its standard and date."""
    if isinstance(record, CheckMeasurement):
        return f"{record.standard.name} of {record.date}"
    ref = getattr(record, "ref", None)
    return record.name if ref is None else str(ref)


def check_parents(row: RetirementRow, same: Sequence[RetirementRow]) -> None:
    """StoreError unless an event follows one that is there and that it can follow."""
    check_follows(f"retirement of {row.kind} {row.name}", row, same)
