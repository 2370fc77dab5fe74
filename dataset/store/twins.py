"""One recording logged twice: which sessions hold the same one, and what is refused of that."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NoReturn

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InputError
from dataset.records import (
    ID_DIGITS,
    NewSession,
)
from dataset.store.events import voiding
from dataset.store.events.voiding import is_void
from dataset.store.reading.sessions import to_session
from dataset.store.reading.voiding import void_reason
from dataset.store.sessions import session_row
from dataset.store.tables import (
    SessionRow,
)


def refuse_known(orm: OrmSession, new: NewSession, sha256: str) -> None:
    where = f"session from {new.source.file}"
    same = orm.scalar(select(SessionRow).where(SessionRow.sha256 == sha256))
    if same is not None:
        because = void_reason(same)
        void = "" if because is None else f", void since '{because}'"
        raise InputError(
            where,
            f"was logged already as session {sha256[:ID_DIGITS]} (from {same.source_file}{void})",
            "",
            "leave the file out",
        )


def refuse_twin(orm: OrmSession, new: NewSession, readings: str, counts: str | None) -> None:
    """The same recording under another label could stand on both sides of a split. It is known by its counts,
    whichever unit it is said to be of, and whatever times and temperatures were logged with it.
    """
    other = first_usable(orm, readings, counts)
    if other is not None:
        refuse_beside(
            f"session from {new.source.file}", other, readings, "if that session was logged wrongly"
        )


def usable_twin(orm: OrmSession, row: SessionRow) -> SessionRow | None:
    """The first other session that holds the same recording and is not void."""
    return first_usable(orm, row.readings_sha256, row.counts_sha256, beside=row.id)


def first_usable(
    orm: OrmSession, readings: str, counts: str | None, beside: int | None = None
) -> SessionRow | None:
    """The first session that holds this recording and is not void, but that of row id ``beside``."""
    return next((row for row in usable(orm, readings, counts) if row.id != beside), None)


def usable(orm: OrmSession, readings: str, counts: str | None) -> Sequence[SessionRow]:
    """The sessions that hold this recording and are not void."""
    same = select(SessionRow).where(twins(readings, counts), ~is_void()).order_by(SessionRow.id)
    return orm.scalars(same).all()


def refuse_beside(where: str, other: SessionRow, readings: str, when: str) -> NoReturn:
    id_, labels = other.sha256[:ID_DIGITS], to_session(other)
    voiding = f"Store.void('{id_}', ...)"
    what = "readings" if other.readings_sha256 == readings else "counts"
    raise InputError(
        where,
        f"has, frame by frame, the {what} of session {id_} (from {other.source_file}, "
        f"unit {labels.unit.name}, liquid {labels.liquid.name})",
        "",
        f"{when}, void it first: {voiding}",
        fields=(voiding,),
    )


def twins(readings: str, counts: str | None) -> ColumnElement[bool]:
    """Which sessions hold the same recording; ``counts`` are None where too few differ to tell."""
    same = SessionRow.readings_sha256 == readings
    return same if counts is None else or_(same, SessionRow.counts_sha256 == counts)


def take_back_void(orm: OrmSession, ref: str, reason: str) -> SessionRow:
    """Record that a void session can be used after all, and why; refused while another session that holds the
    same recording is in use.
    """
    row = session_row(orm, ref)
    other = usable_twin(orm, row)
    if other is not None:
        where = f"session {row.sha256[:ID_DIGITS]}"
        refuse_beside(where, other, row.readings_sha256, "if that session is the wrong one")
    voiding.take_back(orm, row, reason)
    return row
