"""The store's side of ``dataset.text.events``: what was said later, out of the store and into it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.admission.rules import check_session
from dataset.canonical_text import canonical_json
from dataset.errors import InputError, StoreError
from dataset.records import ID_DIGITS
from dataset.store import sessions
from dataset.store.events import amendments, retirements
from dataset.store.events.amending import as_new
from dataset.store.proof import keep
from dataset.store.reading import amendments as amendments_read
from dataset.store.reading import sessions as sessions_read
from dataset.store.registry import liquid_row, mounting_row, operator_row
from dataset.store.tables import AmendmentRow, RetirementRow, SessionRow, UnitRow, UnitUnionRow
from dataset.text.events import (
    AMENDMENTS,
    RETIREMENTS,
    UNIONS,
    AmendmentLine,
    RetirementLine,
    SaidLater,
    UnionLine,
)
from dataset.values import check_reason

_NEVER_CHANGES = "what was said never changes; say something further instead"


def collect(orm: OrmSession, of_sessions: Sequence[SessionRow]) -> SaidLater:
    """Everything that the store holds of it; amendments by session, each after those that it follows."""
    return SaidLater(
        tuple(
            RetirementLine(
                str(row.record_sha256),
                row.kind,
                row.name,
                row.object_sha256,
                row.reason,
                row.parent_sha256,
                bool(row.takes_back),
            )
            for row in orm.scalars(select(RetirementRow))
        ),
        tuple(
            UnionLine(
                str(row.record_sha256),
                row.identity,
                row.other,
                row.reason,
                row.parent_sha256,
                bool(row.takes_back),
            )
            for row in orm.scalars(select(UnitUnionRow))
        ),
        tuple(
            _amendment_line(row, amendment)
            for row in sorted(of_sessions, key=lambda row: row.sha256)
            for amendment in sorted(row.amendments, key=lambda a: (a.depth, a.sha256))
        ),
    )


def _amendment_line(session: SessionRow, row: AmendmentRow) -> AmendmentLine:
    record = amendments_read.to_amendment(row)  # its hash checked
    return AmendmentLine(
        row.sha256,
        session.sha256,
        record.parents,
        row.author,
        row.reason,
        None if row.unit is None else row.unit.identity,
        None if row.unit is None else row.unit.name,
        None if row.liquid is None else row.liquid.name,
        None if row.mounting is None else row.mounting.name,
        row.body,
    )


def add_events(orm: OrmSession, said: SaidLater) -> None:
    """Write what was said of a registry to a store that holds this registry and nothing else; instruments and
    measurements of check standards are to read only, and so is what was said of them.
    """
    for line in said.retirements:
        if line.kind in ("instrument", retirements.MEASUREMENT):
            continue
        where = f"{RETIREMENTS}, {line.kind} {line.name}"
        check_reason(f"{where}, reason", line.reason, "why")
        row = RetirementRow(
            kind=line.kind,
            name=line.name,
            object_sha256=line.object,
            reason=line.reason,
            parent_sha256=line.parent,
            takes_back=line.takes_back or None,
        )
        keep(orm, row)
        _same_hash(where, str(row.record_sha256), line.sha256)
    for retired in orm.scalars(select(RetirementRow)).all():
        try:
            retirements.check_parents(retired, retirements.of_object(orm, retired.object_sha256))
        except StoreError as error:
            raise InputError(f"{RETIREMENTS}, {retired.kind} {retired.name}", error.found) from error
    _add_unions(orm, said.unions)


def _add_unions(orm: OrmSession, lines: Sequence[UnionLine]) -> None:
    identities, known = set(orm.scalars(select(UnitRow.identity))), {line.sha256 for line in lines}
    for line in lines:
        where = f"{UNIONS}, union {line.sha256[:ID_DIGITS]}"
        check_reason(f"{where}, reason", line.reason, "how somebody knows that they are one")
        lost = sorted({line.unit, line.other} - identities)
        if lost:
            raise InputError(where, f"unit {lost[0][:ID_DIGITS]}", "the identity of a unit in units.toml")
        if line.parent is not None and line.parent not in known:
            raise InputError(where, f"it follows {line.parent[:ID_DIGITS]}, which is not there")
        row = UnitUnionRow(
            identity=line.unit,
            other=line.other,
            reason=line.reason,
            parent_sha256=line.parent,
            takes_back=line.takes_back or None,
        )
        keep(orm, row)
        _same_hash(where, str(row.record_sha256), line.sha256)


def _same_hash(where: str, actual: str, stated: str) -> None:
    if actual != stated:
        raise InputError(where, f"it hashes to {actual[:ID_DIGITS]}", stated[:ID_DIGITS], _NEVER_CHANGES)


def add_amendments(
    orm: OrmSession, lines: Sequence[AmendmentLine], rows: Mapping[str, SessionRow]
) -> tuple[int, int]:
    """Write the amendments that sessions of this store lack, in the order of the text; how many are new, and
    how many it had.
    """
    here = [line for line in lines if line.session in rows]
    new = sum(_add_amendment(orm, rows[line.session], line) for line in here)
    return new, len(here) - new


def _add_amendment(orm: OrmSession, row: SessionRow, line: AmendmentLine) -> bool:
    """Whether it is new here."""
    depths = {amendment.sha256: amendment.depth for amendment in row.amendments}
    if line.sha256 in depths:
        return False
    where = f"{AMENDMENTS}, amendment {line.sha256[:ID_DIGITS]}"
    lost = sorted(set(line.parents) - set(depths))
    if lost:
        raise InputError(
            where,
            f"it follows {lost[0][:ID_DIGITS]}, which is not there",
            "the amendment that is followed before the one that follows it",
        )
    check_reason(f"{where}, author", line.author, "who amended it")
    check_reason(f"{where}, reason", line.reason, "why it was amended")
    amendment = AmendmentRow(
        session=row,
        sha256=line.sha256,
        parents=canonical_json(line.parents),
        depth=amendments.depth_after(depths[parent] for parent in line.parents),
        author=line.author,
        reason=line.reason,
        unit=None if line.unit is None else _unit(orm, where, line.unit),
        liquid=None if line.liquid is None else liquid_row(orm, line.liquid),
        mounting=None if line.mounting is None else mounting_row(orm, line.mounting),
        body=line.body,
    )
    orm.add(amendment)
    orm.flush()
    _check_read(where, row, amendment)
    amended = sessions_read.to_session(row, amendment=line.sha256)
    if amended.occasion.operator is not None:
        operator_row(orm, amended.occasion.operator)
    check_session(as_new(amended, sessions.frames(orm, amended.as_sealed or amended)))
    return True


def _check_read(where: str, row: SessionRow, amendment: AmendmentRow) -> None:
    """InputError unless an amendment that was written has its hash and can be read."""
    try:
        amendments_read.to_amendment(amendment)
        amendments.check_chain(row)
    except StoreError as error:
        raise InputError(where, error.found, error.expected, _NEVER_CHANGES) from error
    except (ValueError, TypeError, LookupError, AttributeError) as error:  # JSON of another form
        raise InputError(f"{where}, body", "not what an amendment states", "as it was written") from error


def _unit(orm: OrmSession, where: str, identity: str) -> UnitRow:
    row = orm.scalar(select(UnitRow).where(UnitRow.identity == identity))
    if row is None:
        raise InputError(where, f"unit {identity[:ID_DIGITS]}", "the identity of a unit in units.toml")
    return row
