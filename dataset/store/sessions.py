"""Capture sessions between rows and records: added whole and sealed, found, voided, read back, checked."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset import blocks
from dataset.admission.rules import check_marks
from dataset.canonical import mark_revision_sha256, marks_content
from dataset.canonical_text import canonical_json
from dataset.errors import InputError, NotFoundError
from dataset.records import (
    ID_DIGITS,
    Frames,
    Mark,
    MarkRevision,
    Session,
    TagEvent,
    VoidEvent,
)
from dataset.store.database import rows_of
from dataset.store.events import tagging, voiding
from dataset.store.reading import tagging as tagging_read
from dataset.store.reading import voiding as voiding_read
from dataset.store.reading.frames import frames_of as unpacked_frames
from dataset.store.reading.frames import unpacked as unpacked_together
from dataset.store.reading.rows import AT_ONCE
from dataset.store.reading.sessions import (
    check,
    revisions_of,
    to_mark_revision,
    to_session,
    to_sessions,
)
from dataset.store.reading.temperatures import Packed, means_of_marks, unpacked
from dataset.store.reading.voiding import void_reason
from dataset.store.tables import (
    BlockRow,
    MarkRevisionRow,
    SessionRow,
)
from dataset.values import check_reason
from dataset.words import counted


def mark_revisions(orm: OrmSession, ref: str) -> tuple[MarkRevision, ...]:
    """The later revisions of a session's marks, oldest first."""
    return revisions_of(session_row(orm, ref))


def amend_marks(orm: OrmSession, ref: str, marks: Sequence[Mark], author: str, reason: str) -> MarkRevision:
    """Write a new revision of a session's marks; the sealed ones stay, and so does the session's hash."""
    row = session_row(orm, ref)
    where = f"marks of session {row.sha256[:ID_DIGITS]}"
    check_reason(f"{where}, author", author, "who amended the marks")
    check_reason(f"{where}, reason", reason, "why the marks were amended")
    because = void_reason(row)
    if because is not None:
        raise InputError(where, f"the session is void ('{because}')", "a session that can be used")
    before = to_session(row)
    check_marks(where, marks, row.frames, before.mounting.tank.span_mm)
    if tuple(marks) == before.marks:
        raise InputError(where, "the new marks are those that the session has", "marks that differ")
    sha256 = mark_revision_sha256(row.sha256, before.mark_revision, author, reason, marks)
    body = canonical_json(marks_content(marks))
    amendment = MarkRevisionRow(
        session=row,
        sha256=sha256,
        parent_sha256=before.mark_revision,
        author=author,
        reason=reason,
        body=body,
    )
    orm.add(amendment)
    orm.flush()
    return to_mark_revision(amendment)


def session_rows(orm: OrmSession) -> Sequence[SessionRow]:
    """All sessions, oldest first, void ones included."""
    return orm.scalars(select(SessionRow).order_by(SessionRow.id)).all()


def session_row(orm: OrmSession, ref: str) -> SessionRow:
    """The session whose id starts with ``ref``."""
    wanted = ref.lower()
    if not wanted or any(c not in "0123456789abcdef" for c in wanted):
        raise InputError(
            f"session {ref!r}",
            "is not a session's id",
            "its first hexadecimal digits",
            "see Store.sessions()",
            fields=("Store.sessions()",),
        )
    # a range, which finds its way by the index; LIKE would read every session
    matches = orm.scalars(
        select(SessionRow)
        .where(SessionRow.sha256 >= wanted, SessionRow.sha256 < wanted + "g")
        .order_by(SessionRow.id)
    ).all()
    if not matches:
        raise NotFoundError(
            f"session {ref}", "is not in the store", "", "see Store.sessions()", fields=("Store.sessions()",)
        )
    if len(matches) > 1:
        listed = ", ".join(row.sha256[:ID_DIGITS] for row in matches[:6])
        raise InputError(
            f"session {ref}",
            f"fits {counted(len(matches), 'session')} ({listed}{', ...' if len(matches) > 6 else ''})",
            "",
            "give more digits",
        )
    return matches[0]


def rows_named(orm: OrmSession, refs: Sequence[str]) -> list[SessionRow]:
    """The sessions that these name, in their order, read past the mapper; they go for mapped rows."""
    rows = rows_of(orm)
    known = {row.sha256: row for row in rows.having("capture_session", "sha256", refs)}
    whole = [ref if ref in known else session_row(orm, ref).sha256 for ref in refs]
    lacking = [sha256 for sha256 in whole if sha256 not in known]
    known.update((row.sha256, row) for row in rows.having("capture_session", "sha256", lacking))
    return [known[sha256] for sha256 in whole]


def each_once(orm: OrmSession, refs: Sequence[str]) -> list[SessionRow]:
    """The sessions that these name, in their order, each once."""
    return list({row.id: row for row in (session_row(orm, ref) for ref in refs)}.values())


def void(orm: OrmSession, ref: str, reason: str) -> SessionRow:
    """Record that a session is not to be used, and why; it stays where it is."""
    row = session_row(orm, ref)
    voiding.void(orm, row, reason)
    return row


def void_events(orm: OrmSession, ref: str) -> tuple[VoidEvent, ...]:
    """When a session was voided and taken back, in the order it came into this store."""
    return voiding_read.events(session_row(orm, ref))


def tag(orm: OrmSession, refs: Sequence[str], tags: Sequence[str], author: str | None) -> tuple[Session, ...]:
    """Tag sessions, each with all of ``tags`` that it has not; InputError where none of them had to be."""
    rows = [session_row(orm, ref) for ref in refs]
    lacking = [[t for t in dict.fromkeys(tags) if t not in tagging_read.tags_of(row)] for row in rows]
    for row, missing in zip(rows, lacking, strict=True):
        tagging.add(orm, row, missing if any(lacking) else tags, author)
    return to_sessions(rows)


def untag(
    orm: OrmSession, refs: Sequence[str], tags: Sequence[str], author: str | None
) -> tuple[Session, ...]:
    """Remove tags from sessions; InputError for a session that has not all of them."""
    rows = [session_row(orm, ref) for ref in refs]
    for row in rows:
        tagging.remove(orm, row, tags, author)
    return to_sessions(rows)


def tag_events(orm: OrmSession, ref: str) -> tuple[TagEvent, ...]:
    """Which tags of a session came and went, in the order it came into this store."""
    return tagging_read.events(session_row(orm, ref))


def frames(orm: OrmSession, session: Session) -> Frames:
    """All frames of a session, each channel's counts side by side in memory."""
    return unpacked_frames(stored_blocks(orm, session.sha256), session)


def frames_of_many(orm: OrmSession, wanted: Sequence[Session]) -> list[Frames]:
    """As :func:`frames` of each, by one statement; at most as many as it takes parameters."""
    held = (
        select(
            SessionRow.sha256,
            BlockRow.frames,
            BlockRow.t_ms,
            BlockRow.counts,
            BlockRow.temperature_c,
            BlockRow.format,
        )
        .join(SessionRow)
        .where(SessionRow.sha256.in_([session.sha256 for session in wanted]))
        .order_by(BlockRow.session_id, BlockRow.position)
    )
    packed: dict[str, list[blocks.Block]] = {session.sha256: [] for session in wanted}
    for b in orm.execute(held):
        packed[b.sha256].append(blocks.Block(b.frames, b.t_ms, b.counts, b.temperature_c, b.format))
    return unpacked_together(wanted, list(packed.values()))


def stored_blocks(orm: OrmSession, sha256: str) -> list[blocks.Block]:
    """The frames of the session with this hash, as they are packed."""
    of_session = (
        select(BlockRow).join(SessionRow).where(SessionRow.sha256 == sha256).order_by(BlockRow.position)
    )
    stored = orm.scalars(of_session).all()
    return [blocks.Block(b.frames, b.t_ms, b.counts, b.temperature_c, b.format) for b in stored]


def frames_of(orm: OrmSession, ref: str, verify: bool) -> Frames:
    """The frames of the session whose id starts with ``ref``; with ``verify``, hashed again."""
    session = to_session(session_row(orm, ref))
    stored = frames(orm, session)
    if verify:
        check(session, stored)
    return blocks.frame_by_frame(stored)


def mark_temperatures(orm: OrmSession, sessions: Sequence[Session]) -> dict[str, tuple[float, ...]]:
    """As of :func:`dataset.store.reading.temperatures.means_of_marks`."""
    few = [session.sha256 for session in sessions] if len(sessions) <= AT_ONCE else None
    return means_of_marks(sessions, _temperature_blocks(orm, few))


def temperatures(orm: OrmSession, wanted: Container[str]) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """As of :func:`dataset.store.reading.temperatures.unpacked`, of the sessions with these hashes."""
    return unpacked(_temperature_blocks(orm), wanted)


def _temperature_blocks(orm: OrmSession, of: Sequence[str] | None = None) -> Iterator[Packed]:
    """Every block with a column of temperature, session after session; ``of`` some of them, or of all."""
    measured = (
        select(SessionRow.sha256, BlockRow.frames, BlockRow.temperature_c, BlockRow.format)
        .join(BlockRow)
        .where(BlockRow.temperature_c.is_not(None))
        .order_by(BlockRow.session_id, BlockRow.position)
    )
    yield from orm.execute(measured if of is None else measured.where(SessionRow.sha256.in_(of)))
