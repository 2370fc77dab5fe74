"""Capture sessions between rows and records: added whole and sealed, found, voided, read back, checked."""

from __future__ import annotations

import json
import math
from collections.abc import Container, Iterable, Iterator, Sequence
from itertools import groupby

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.admission.rules import check_marks
from dataset.canonical import (
    canonical_json,
    conditions_from,
    mark_revision_sha256,
    marks_content,
    marks_from,
    session_sha256,
)
from dataset.coverage.temperature_bands import mean_of
from dataset.errors import InputError, NotFoundError, StoreError
from dataset.records import (
    ID_DIGITS,
    Amendment,
    DoorWarning,
    Frames,
    Mark,
    MarkRevision,
    Mounting,
    Occasion,
    Session,
    Source,
    Stretch,
    TagEvent,
    VoidEvent,
    newest_amendment,
)
from dataset.store import blocks
from dataset.store.events import amendments, tagging, voiding
from dataset.store.events.voiding import void_reason
from dataset.store.proof import changed
from dataset.store.registry import (
    flat,
    sealed_unit,
    to_liquid,
    to_mounting,
    to_unit,
)
from dataset.store.tables import (
    BlockRow,
    MarkRevisionRow,
    SessionRow,
)
from dataset.values import check_reason

NEWEST = "newest"


def to_sessions(rows: Iterable[SessionRow]) -> tuple[Session, ...]:
    """The records of many rows; a mounting that many of them share is made once."""
    mountings: dict[int, Mounting] = {}
    return tuple(to_session(row, mountings=mountings) for row in rows)


def to_session(
    row: SessionRow,
    revision: str | None = NEWEST,
    mountings: dict[int, Mounting] | None = None,
    amendment: str | None = NEWEST,
) -> Session:
    """What a session says: with the marks of ``revision`` (a hash), of the newest one, or (None) as they were
    sealed, and with what ``amendment`` states (a hash), the one in use, or (None) as it was sealed.

    ``mountings`` keeps by row id what was made already.
    """
    mountings = {} if mountings is None else mountings
    if row.mounting_id not in mountings:
        mountings[row.mounting_id] = to_mounting(row.mounting)
    sealed = tuple(flat(Mark, mark) for mark in row.marks)
    revised = _revision(row, revision)
    session = Session(
        id=row.sha256[:ID_DIGITS],
        sha256=row.sha256,
        unit=to_unit(row.unit),
        liquid=to_liquid(row.liquid),
        mounting=mountings[row.mounting_id],
        frames=row.frames,
        marks=sealed if revised is None else revised.marks,
        source=Source(row.source_file, row.source_sha256),
        note=row.note,
        void_reason=void_reason(row),
        stretches=tuple(Stretch(s.start, s.stop, conditions_from(json.loads(s.body))) for s in row.stretches),
        mark_revision=None if revised is None else revised.sha256,
        sealed_marks=None if revised is None else sealed,
        warnings=tuple(DoorWarning(w.check_name, w.sentence) for w in row.warnings),
        simulated=bool(row.simulated),
        occasion=Occasion(row.operator, row.bench, row.started, row.firmware),
        tags=tagging.tags_of(row),
        instruments=() if row.instruments is None else tuple(json.loads(row.instruments)),
        sealed_unit=sealed_unit(row.unit),
    )
    if amendment is None or (amendment == NEWEST and not row.amendments):
        return session
    amended_by = amendments.in_use(row) if amendment == NEWEST else amendments.of_hash(row, amendment)
    return amendments.effective(session, row, amended_by)


def _revision(row: SessionRow, revision: str | None) -> MarkRevision | None:
    candidates = [r for r in row.mark_revisions if revision in (NEWEST, r.sha256)]
    if revision is not None and revision != NEWEST and not candidates:
        raise StoreError(
            f"session {row.sha256[:ID_DIGITS]}",
            "has no revision of its marks of this hash",
            revision[:ID_DIGITS],
        )
    if not candidates or revision is None:
        return None
    newest = newest_amendment(Amendment(r.sha256, r.parent_sha256) for r in candidates)
    return _to_mark_revision(next(r for r in candidates if r.sha256 == newest))


def _to_mark_revision(row: MarkRevisionRow) -> MarkRevision:
    """The record, its hash checked again."""
    marks = marks_from(json.loads(row.body))
    actual = mark_revision_sha256(row.session.sha256, row.parent_sha256, row.author, row.reason, marks)
    if actual != row.sha256:
        raise changed(
            f"marks of session {row.session.sha256[:ID_DIGITS]}, revision {row.sha256[:ID_DIGITS]}",
            actual,
            row.sha256,
        )
    return MarkRevision(row.sha256, row.session.sha256, row.parent_sha256, row.author, row.reason, marks)


def mark_revisions(orm: OrmSession, ref: str) -> tuple[MarkRevision, ...]:
    """The later revisions of a session's marks, oldest first."""
    return revisions_of(session_row(orm, ref))


def revisions_of(row: SessionRow) -> tuple[MarkRevision, ...]:
    """The later revisions of a session's marks, in the order they came into this store, every
    hash checked.
    """
    return tuple(_to_mark_revision(revision) for revision in row.mark_revisions)


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
    return _to_mark_revision(amendment)


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
            f"fits {len(matches)} sessions ({listed}{', ...' if len(matches) > 6 else ''})",
            "",
            "give more digits",
        )
    return matches[0]


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
    return voiding.events(session_row(orm, ref))


def tag(orm: OrmSession, refs: Sequence[str], tags: Sequence[str], author: str | None) -> tuple[Session, ...]:
    """Tag sessions, each with all of ``tags`` that it has not; InputError where none of them had to be."""
    rows = [session_row(orm, ref) for ref in refs]
    lacking = [[t for t in dict.fromkeys(tags) if t not in tagging.tags_of(row)] for row in rows]
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
    return tagging.events(session_row(orm, ref))


def frames(orm: OrmSession, session: Session) -> Frames:
    """All frames of a session, each channel's counts side by side in memory."""
    where = f"session {session.id}"
    packed = stored_blocks(orm, session.sha256)
    sealed = session.as_sealed or session
    unpacked = blocks.from_blocks(packed, sealed.mounting.sensor.channels, where)
    if len(unpacked) != session.frames:
        hint = "blocks of its frames are missing or changed; use a copy of the store"
        raise StoreError(where, f"{len(unpacked)} frames are there", f"{session.frames}", hint)
    return unpacked


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
    """By session hash: the mean measured temperature under each mark (of all frames where there is none), NaN
    where none was measured.
    """
    parts = {session.sha256: session.marks or (Mark(0, session.frames, 0.0),) for session in sessions}
    means = {sha256: (math.nan,) * len(marks) for sha256, marks in parts.items()}
    for sha256, warm in temperatures(orm, parts):
        means[sha256] = tuple(mean_of(warm[mark.start : mark.stop].tolist()) for mark in parts[sha256])
    return means


def temperatures(orm: OrmSession, wanted: Container[str]) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Of the sessions with these hashes, those with a column of temperature: the hash, and degrees Celsius
    (n,), NaN where not measured.
    """
    measured = (
        select(SessionRow.sha256, BlockRow.frames, BlockRow.temperature_c, BlockRow.format)
        .join(BlockRow)
        .where(BlockRow.temperature_c.is_not(None))
        .order_by(BlockRow.session_id, BlockRow.position)
    )
    for sha256, packed in groupby(orm.execute(measured), key=lambda row: row[0]):
        if sha256 in wanted:
            where = f"session {sha256[:ID_DIGITS]}"
            yield (
                sha256,
                np.concatenate(
                    [
                        blocks.temperatures(block or b"", format_, frames, where)
                        for _, frames, block, format_ in packed
                    ]
                ),
            )


def check(session: Session, its_frames: Frames) -> None:
    """Hash a session's content again and compare; StoreError when it is not what was sealed."""
    actual = session_sha256(session, its_frames)
    if actual != session.sha256:
        raise changed(f"session {session.id}", actual, session.sha256)
