"""Amend what a sealed session says: unit, liquid, mounting, conditions, and who captured it, where, when and
with what. Readings, marks and the session's hash stay; what is stated anew is held against the readings as on
import.
"""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy.orm import Session as OrmSession

from dataset.admission.control_chart import STANDARD
from dataset.admission.rules import check_session
from dataset.admission.warnings import AT_DOOR, check_at_door, summarise
from dataset.canonical import amendment_content, amendment_sha256
from dataset.canonical_text import canonical_json
from dataset.errors import InputError
from dataset.labels.instruments import INSTRUMENT, warnings_of_amended
from dataset.records import (
    ID_DIGITS,
    DoorWarning,
    NewSession,
    Recording,
    Restatement,
    Session,
    SessionAmendment,
)
from dataset.store import admitting, check_standards, instruments
from dataset.store import sessions as stored_sessions
from dataset.store.events import amendments
from dataset.store.events.amendments import says
from dataset.store.reading import amendments as amendments_read
from dataset.store.reading import sessions as sessions_read
from dataset.store.reading.amendments import STATED
from dataset.store.registry import (
    liquid_row,
    mounting_row,
    operator_row,
    own_bench,
    same_record,
    stated_unit,
    to_liquid,
    to_mounting,
    to_unit,
    unit_row,
)
from dataset.store.tables import AmendmentRow, SessionRow
from dataset.values import check_reason

_FIELDS = {"stretches": "condition"}  # as they are called where they are stated


def amend_session(
    orm: OrmSession, ref: str, stated: Restatement, author: str, reason: str
) -> SessionAmendment:
    """Write what a session says from now on. What is not stated stays as it is; amendments that were made
    beside one another are united by one that states what they do not agree on.
    """
    row = stored_sessions.session_row(orm, ref)
    where = f"session {row.sha256[:ID_DIGITS]}"
    check_reason(f"{where}, author", author, "who amended it")
    check_reason(f"{where}, reason", reason, "why it was amended")
    now = sessions_read.to_session(row)
    if now.void_reason is not None:
        raise InputError(where, f"is void ('{now.void_reason}')", "a session that can be used")
    _check_records(orm, stated)
    parents = amendments_read.last(row)
    complete = _as_stated(where, row, parents, stated)
    if len(parents) < 2 and all(says(complete, what) == says(now, what) for what in STATED):
        raise InputError(where, "says that already", "something that differs from what it says")
    sealed = now.as_sealed or now
    against = Restatement(
        **{what: value for what in STATED if (value := says(complete, what)) != says(sealed, what)}
    )
    warnings = _warnings(orm, row, complete, sealed)
    hashes = tuple(parent.sha256 for parent in parents)
    unit = None if against.unit is None else unit_row(orm, against.unit.name)
    hashed = against if unit is None else replace(against, unit=stated_unit(unit))
    amendment = AmendmentRow(
        session=row,
        sha256=amendment_sha256(row.sha256, hashes, author, reason, hashed, warnings),
        parents=canonical_json(hashes),
        depth=amendments.depth_after(parent.depth for parent in parents),
        author=author,
        reason=reason,
        unit=unit,
        liquid=None if against.liquid is None else liquid_row(orm, against.liquid.name),
        mounting=None if against.mounting is None else mounting_row(orm, against.mounting.name),
        body=canonical_json(amendment_content(against, warnings)),
    )
    orm.add(amendment)
    orm.flush()
    return amendments_read.to_amendment(amendment)


def _check_records(orm: OrmSession, stated: Restatement) -> None:
    """Records that are stated must be those that the store has."""
    if stated.unit is not None:
        same_record("unit", stated.unit, to_unit(unit_row(orm, stated.unit.name)))
    if stated.liquid is not None:
        same_record("liquid", stated.liquid, to_liquid(liquid_row(orm, stated.liquid.name)))
    if stated.operator is not None:
        operator_row(orm, stated.operator)
    if stated.mounting is not None:
        same_record("mounting", stated.mounting, to_mounting(mounting_row(orm, stated.mounting.name)))


def _as_stated(where: str, row: SessionRow, parents: list[AmendmentRow], stated: Restatement) -> Session:
    """The session with what is stated, over what the amendments that it follows say. InputError where those
    differ in something that is not stated.
    """
    sides = [sessions_read.to_session(row, amendment=parent.sha256) for parent in parents] or [
        sessions_read.to_session(row)
    ]
    open_ = [
        _FIELDS.get(what, what)
        for what in STATED
        if getattr(stated, what) is None and any(says(side, what) != says(sides[0], what) for side in sides)
    ]
    if open_:
        raise InputError(
            where,
            f"{amendments.words_apart(parents)} stand beside one another and differ in {', '.join(open_)}",
            f"what is so of {', '.join(open_)}, stated anew",
            fields=tuple(open_),
        )
    return amendments_read.over(sides[0], stated)


def as_new(amended: Session, frames: Recording) -> NewSession:
    """A session as it would come in if it had been stated so from the first."""
    return NewSession(
        amended.unit,
        amended.liquid,
        amended.mounting,
        frames,
        amended.marks,
        amended.source,
        amended.note,
        amended.stretches,
        simulated=amended.simulated,
        occasion=amended.occasion,
        instruments=amended.instruments,
    )


def _warnings(orm: OrmSession, row: SessionRow, amended: Session, sealed: Session) -> tuple[DoorWarning, ...]:
    """What the import checks say of the session as amended; InputError for what they refuse. What was
    found in its file stays.
    """
    frames = stored_sessions.frames(orm, sealed)
    new = as_new(amended, frames)
    check_session(new)
    earlier, shown = admitting.what_is_known(orm, new, beside=row.id)
    own = check_at_door(new, summarise(new, frames), earlier, shown)
    tools = _of_instruments(orm, amended, sealed)
    again = {*AT_DOOR, STANDARD, *(() if tools is None else (INSTRUMENT,))}
    in_file = [warning for warning in sealed.warnings if warning.check not in again]
    return (*in_file, *own, *check_standards.warnings_for(orm, new), *(tools or ()))


def _of_instruments(orm: OrmSession, amended: Session, sealed: Session) -> list[DoorWarning] | None:
    """What there is to say of the calibrations that a session's labels rest on; None where it began when and
    where it was sealed to have begun: what was said then stays.
    """
    if (amended.occasion.started, amended.occasion.bench) == (sealed.occasion.started, sealed.occasion.bench):
        return None
    own = own_bench(orm).identity
    return [
        warning
        for known in instruments.by_hash(orm, amended.instruments)
        for warning in warnings_of_amended(
            known, instruments.history(orm, f"{known.name}@{known.bench}"), amended.occasion, own
        )
    ]
