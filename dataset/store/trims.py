"""Trims between rows and records; the history of a unit is kept, and nothing in it changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical import trim_content, trim_sha256
from dataset.canonical_text import canonical_json
from dataset.errors import InnageError, InputError
from dataset.labels.conditions import stated_wet
from dataset.labels.trims import Reference, below_pads, check_trim, latest, refuse_wet, seen_in
from dataset.records import ID_DIGITS, Mounting, Session, Trim, TrimKind
from dataset.store import sessions as stored_sessions
from dataset.store import units
from dataset.store.events import amendments
from dataset.store.reading import amendments as amendments_read
from dataset.store.reading import sessions as sessions_read
from dataset.store.reading.sets import to_trim
from dataset.store.reading.voiding import void_reason
from dataset.store.registry import (
    mounting_row,
    same_record,
    stated_unit,
    to_mounting,
    to_unit,
    unit_ids,
    unit_row,
)
from dataset.store.tables import SessionRow, TrimRow, UnitRow


def trims(orm: OrmSession, unit: str | None) -> tuple[Trim, ...]:
    """The trims of one unit, or of all, in the order they were added."""
    rows = select(TrimRow).order_by(TrimRow.sequence)
    if unit is not None:
        rows = rows.where(TrimRow.unit_id.in_(unit_ids(orm, unit)))
    return tuple(to_trim(row) for row in orm.scalars(rows))


def doubts(orm: OrmSession, taken: Sequence[Trim]) -> dict[str, str]:
    """Which trims were taken from a session that says something else by now, or that is void: by the trim's
    hash, and why.
    """
    of_sessions = [trim for trim in taken if trim.session is not None]
    why: dict[str, str] = {}
    for trim in of_sessions:
        row = stored_sessions.session_row(orm, str(trim.session))
        used, void = amendments_read.in_use(row), void_reason(row)
        where = f"session {row.sha256[:ID_DIGITS]}, from which it was taken,"
        if void is not None:
            why[trim.sha256] = f"{where} is void ('{void}')"
        elif used is not None and used.sha256 != trim.amendment:
            why[trim.sha256] = f"{where} was amended since, by {used.author} ('{used.reason}')"
    return why


def refuse_doubtful(orm: OrmSession, taken: Sequence[Trim]) -> None:
    """InputError for a trim, the newest of its kind, whose session says something else by now."""
    newest: dict[tuple[str, str, TrimKind], Trim] = {}
    for trim in sorted(taken, key=lambda t: (t.date, t.amendment is not None, t.sha256)):
        newest[trim.unit.name, trim.mounting.name, trim.kind] = trim
    for sha256, why in doubts(orm, list(newest.values())).items():
        trim = next(t for t in newest.values() if t.sha256 == sha256)
        raise InputError(
            "frozen set",
            f"trim of unit {trim.unit.name}, {trim.kind}, {trim.date}: {why}",
            "trims of sessions that still say what they said",
            "take the trim anew, or say by even_if_warned why it is right",
            fields=("even_if_warned",),
        )


def add_trims(
    orm: OrmSession, trims_: Sequence[Trim], refused: dict[int, InnageError] | None = None
) -> tuple[Trim, ...]:
    """Check and keep trims in their order. Those that are refused are left out and told by their places where
    ``refused`` takes them.
    """
    known, added = list(trims(orm, None)), list[Trim]()
    for place, trim in enumerate(trims_):
        try:
            added.append(add_trim(orm, trim, known))
        except InnageError as error:
            if refused is None:
                raise
            refused[place] = error
        else:
            known.append(added[-1])
    return tuple(added)


def add_trim(orm: OrmSession, trim: Trim, known: Sequence[Trim] | None = None) -> Trim:
    """Check and keep a trim; a dry one that looks wet, and one that is there already, are refused. ``known``
    are all that there are, where they are at hand.
    """
    check_trim(trim)
    unit, mounting = unit_row(orm, trim.unit.name), mounting_row(orm, trim.mounting.name)
    same_record("unit", trim.unit, to_unit(unit))
    same_record("mounting", trim.mounting, to_mounting(mounting))
    if trim.kind is TrimKind.DRY:
        everything = trims(orm, None) if known is None else known
        dry = [t for t in everything if t.kind is TrimKind.DRY and t.mounting == trim.mounting]
        mine = [
            Reference(
                f"its dry trim of {other.date}",
                tuple(map(float, other.counts)),
                temperature_c=other.temperature_c,
                known_dry=True,
            )
            for other in dry
            if other.unit == trim.unit
        ]
        others = latest([other for other in dry if other.unit != trim.unit], TrimKind.DRY)
        refuse_wet(trim, [*mine, *_seen(orm, trim.unit.name, trim.mounting)], others)
    sha256 = trim_sha256(replace(trim, unit=stated_unit(unit)))
    if orm.scalar(select(TrimRow).where(TrimRow.sha256 == sha256)) is not None:
        raise InputError(
            f"trim of unit {trim.unit.name}",
            f"this trim of {trim.date} is there already",
            "",
            "see Store.trims()",
            fields=("Store.trims()",),
        )
    session = None if trim.session is None else stored_sessions.session_row(orm, trim.session)
    row = TrimRow(
        sha256=sha256,
        unit=unit,
        mounting=mounting,
        session=session,
        kind=trim.kind.value,
        stage=trim.stage,
        date=trim.date,
        temperature_c=trim.temperature_c,
        body=canonical_json(trim_content(trim)),
        note=trim.note,
    )
    orm.add(row)
    orm.flush()
    units.assign(orm, sha256, unit)
    return to_trim(row)


def dry_counts(orm: OrmSession, mounting: Mounting) -> tuple[tuple[str, tuple[float, ...]], ...]:
    """Units with frames marked at a level below every pad of a mounting, and neither foam, film nor drops
    stated of them, by name, and the median of each channel over those frames.
    """
    medians: list[tuple[str, tuple[float, ...]]] = []
    for name in orm.scalars(
        select(UnitRow.name).where(UnitRow.same_as_id.is_(None)).order_by(UnitRow.name)
    ).all():
        dry = [
            stored_sessions.frames(orm, s).counts[m.start : m.stop]
            for s in _sessions(orm, name, mounting)
            for m in s.marks
            if below_pads(m, mounting) and not stated_wet(s.stretches, m)
        ]
        if dry:
            medians.append((name, tuple(map(float, np.median(np.concatenate(dry), axis=0)))))
    return tuple(medians)


def _sessions(orm: OrmSession, unit: str, mounting: Mounting) -> list[Session]:
    """The unit's sessions on a mounting that are not void."""
    own = amendments.unit_now().in_(unit_ids(orm, unit))
    rows = orm.scalars(select(SessionRow).where(own).order_by(SessionRow.id)).all()
    sessions = [sessions_read.to_session(row) for row in rows if void_reason(row) is None]
    return [session for session in sessions if session.mounting == mounting]


def _seen(orm: OrmSession, unit: str, mounting: Mounting) -> list[Reference]:
    """What the unit's sessions on a mounting show."""
    references = [
        seen_in(session, stored_sessions.frames(orm, session)) for session in _sessions(orm, unit, mounting)
    ]
    return [reference for reference in references if reference is not None]
