"""Capture sessions between rows and records: added whole and sealed, found, voided, read back, checked."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from itertools import groupby
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, insert, or_, select
from sqlalchemy.orm import Session as OrmSession

from dataset.admission.plausible import GRAVE, Shown
from dataset.admission.rules import check_marks, check_session
from dataset.admission.warnings import Summary, check_at_door, summarise
from dataset.canonical import (
    canonical_json,
    conditions_content,
    conditions_from,
    counts_sha256,
    mark_revision_sha256,
    marks_content,
    marks_from,
    readings_sha256,
    session_sha256,
)
from dataset.coverage.temperature_bands import mean_of
from dataset.errors import InputError, NotFoundError, StoreError, quoted
from dataset.records import (
    ID_DIGITS,
    Amendment,
    DoorWarning,
    Frames,
    Mark,
    MarkRevision,
    Mounting,
    NewSession,
    Occasion,
    Session,
    Source,
    Stretch,
    TagEvent,
    TrimKind,
    VoidEvent,
    newest_amendment,
)
from dataset.store import blocks, check_standards, instruments, registry, units
from dataset.store.events import amendments, tagging, voiding
from dataset.store.events.voiding import is_void, void_reason
from dataset.store.proof import changed, record_sha256
from dataset.store.registry import (
    flat,
    liquid_row,
    mounting_row,
    refuse_retired_places,
    same_record,
    sealed_unit,
    stated_unit,
    to_liquid,
    to_mounting,
    to_unit,
    unit_ids,
    unit_row,
)
from dataset.store.tables import (
    Base,
    BlockRow,
    MarkRevisionRow,
    MarkRow,
    MountingRow,
    SessionRow,
    StretchRow,
    TrimRow,
    WarningRow,
)
from dataset.values import check_reason

NEWEST = "newest"
GRAVE_NAMES = frozenset(GRAVE)
HISTORY_SESSIONS = 10  # what the checks at the door look back on


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


def add_sessions(
    orm: OrmSession,
    sessions: Sequence[NewSession],
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[Session, ...]:
    """Check, write and seal sessions, one after the other."""
    added: list[Session] = []
    summaries: dict[str, Summary] = {}
    for new in sessions:
        refuse_retired_places(orm, new.unit, new.liquid, new.mounting)
        added.append(to_session(add_session(orm, new, known=summaries)))
        if progress is not None:
            progress(new.source.file, len(added), len(sessions))
    return tuple(added)


def known_session(orm: OrmSession, new: NewSession) -> SessionRow | None:
    """The session that ``new`` is already, reading for reading and statement for statement; None where it can
    be added, InputError where it can't.
    """
    check_session(new)
    same = orm.scalar(select(SessionRow).where(SessionRow.sha256 == session_sha256(new, new.frames)))
    if same is None:
        _refuse_twin(orm, new, readings_sha256(new.frames), counts_sha256(new.frames))
    return same


def add_session(
    orm: OrmSession,
    new: NewSession,
    block_frames: int = blocks.BLOCK_FRAMES,
    level: int = blocks.LEVEL,
    known: dict[str, Summary] | None = None,
) -> SessionRow:
    """Check, write and seal one session; readings that the store already has are refused.

    ``known`` keeps what the checks at the door found out about earlier sessions, for the next call in the
    same transaction.
    """
    check_session(new)
    _check_listed(orm, new)
    row = _new_row(orm, new)
    _refuse_known(orm, new, row.sha256)
    _refuse_twin(orm, new, row.readings_sha256, row.counts_sha256)
    own = summarise(new, new.frames)
    known_here = {} if known is None else known
    own_warnings = (
        *check_at_door(new, own, *what_is_known(orm, new, known_here)),
        *check_standards.warnings_for(orm, new),
    )
    if known is not None:
        known[row.sha256] = own  # the next call need not read it back
    orm.add(row)
    orm.flush()
    warnings = dict.fromkeys((*new.warnings, *own_warnings))  # one that is given may be found again
    _write_statements(orm, row.id, new, tuple(warnings))
    packed = [
        {"session_id": row.id, "position": k, "format": b.format, "frames": b.frames}
        | {"t_ms": b.t_ms, "counts": b.counts, "temperature_c": b.temperature_c}
        for k, b in enumerate(blocks.to_blocks(new.frames, block_frames, level))
    ]
    orm.execute(insert(BlockRow), packed)
    row.record_sha256 = record_sha256(orm.connection(), "capture_session", row.id)
    row.sealed = True
    orm.flush()
    units.assign(orm, row.sha256, row.unit)
    orm.refresh(row)
    tagging.add(orm, row, tuple(dict.fromkeys(new.tags)), new.occasion.operator)
    return row


def _check_listed(orm: OrmSession, new: NewSession) -> None:
    """NotFoundError for an operator who is not on the list, and for a bench that the store does not know:
    what is mistyped would be another.
    """
    operator, bench = new.occasion.operator, new.occasion.bench
    if operator is not None:
        registry.operator_row(orm, operator)
    if bench is not None and registry.bench_row(orm, bench).identity != bench:
        raise InputError("bench", quoted(bench), "the identity of a bench, 32 hexadecimal digits")
    instruments.check_known(orm, new.instruments)


def _new_row(orm: OrmSession, new: NewSession) -> SessionRow:
    """The row, not yet written, of a session whose unit, liquid and mounting are the store's own."""
    unit = unit_row(orm, new.unit.name)
    liquid = liquid_row(orm, new.liquid.name)
    mounting = mounting_row(orm, new.mounting.name)
    same_record("unit", new.unit, to_unit(unit))
    same_record("liquid", new.liquid, to_liquid(liquid))
    same_record("mounting", new.mounting, to_mounting(mounting))
    return SessionRow(
        sha256=session_sha256(replace(new, unit=stated_unit(unit)), new.frames),
        readings_sha256=readings_sha256(new.frames),
        counts_sha256=counts_sha256(new.frames),
        sealed=False,
        unit=unit,
        liquid=liquid,
        mounting=mounting,
        frames=len(new.frames),
        source_file=new.source.file,
        source_sha256=new.source.sha256,
        note=new.note,
        simulated=new.simulated or None,
        instruments=canonical_json(list(new.instruments)) if new.instruments else None,
        **asdict(new.occasion),
    )


def _write_statements(
    orm: OrmSession, session_id: int, new: NewSession, warnings: Sequence[DoorWarning]
) -> None:
    """Write what is stated of a session's frames: warnings, marks and stretches, each in its order."""
    stated: list[tuple[type[Base], list[dict[str, Any]]]] = [
        (WarningRow, [{"check_name": w.check, "sentence": w.sentence} for w in warnings]),
        (MarkRow, [asdict(mark) for mark in new.marks]),
        (
            StretchRow,
            [
                {"start": s.start, "stop": s.stop, "body": canonical_json(conditions_content(s.conditions))}
                for s in new.stretches
            ],
        ),
    ]
    for kind, facts in stated:
        if facts:
            rows = [{"session_id": session_id, "position": k} | fact for k, fact in enumerate(facts)]
            orm.execute(insert(kind), rows)


def what_is_known(
    orm: OrmSession, new: NewSession, known: dict[str, Summary] | None = None, beside: int = 0
) -> tuple[list[Summary], Shown]:
    """What a session is held against at the door: the latest sessions of its unit, and what its unit's trim
    and other units on its mounting show. The session of row id ``beside`` is left out; ``known`` keeps what
    was found out about sessions.
    """
    known_here = {} if known is None else known
    return _earlier(orm, new, known_here, beside), _shown(orm, new, known_here, beside)


def _earlier(orm: OrmSession, new: NewSession, known: dict[str, Summary], beside: int) -> list[Summary]:
    """What this unit's latest sessions with the same sensor say, newest last; void ones don't count."""
    same = (
        select(SessionRow.sha256)
        .join(MountingRow, MountingRow.id == amendments.mounting_now())
        .where(
            amendments.unit_now().in_(unit_ids(orm, new.unit.name)),
            MountingRow.sensor.has(name=new.mounting.sensor.name, revision=new.mounting.sensor.revision),
        )
        .where(~is_void(), SessionRow.sealed, SessionRow.id != beside)
        .order_by(SessionRow.id.desc())
        .limit(HISTORY_SESSIONS)
    )
    return _summaries(orm, orm.scalars(same).all(), known)[::-1]


def _summaries(orm: OrmSession, hashes: Sequence[str], known: dict[str, Summary]) -> list[Summary]:
    """What sessions say, by their hashes; ``known`` keeps it."""
    for sha256 in hashes:
        if sha256 not in known:
            session = to_session(orm.scalars(select(SessionRow).where(SessionRow.sha256 == sha256)).one())
            known[sha256] = summarise(session, frames(orm, session))
    return [known[sha256] for sha256 in hashes]


def _shown(orm: OrmSession, new: NewSession, known: dict[str, Summary], beside: int) -> Shown:
    """What the unit's dry trim says, and the latest sessions of any unit on the same mounting; neither void
    ones nor those that were warned of gravely.
    """
    dry = (
        select(TrimRow)
        .where(
            TrimRow.unit_id.in_(unit_ids(orm, new.unit.name)),
            TrimRow.mounting.has(name=new.mounting.name),
            TrimRow.kind == TrimKind.DRY.value,
        )
        .order_by(TrimRow.date.desc(), TrimRow.sequence.desc())
        .limit(1)
    )
    trim = orm.scalar(dry)
    earlier = _summaries(orm, _shown_before(orm, new, beside), known)
    return Shown(
        None if trim is None else (tuple(json.loads(trim.body)["counts"]), trim.date),
        np.array([summary.low for summary in earlier]) if earlier else None,
        np.array([summary.high for summary in earlier]) if earlier else None,
    )


def _shown_before(orm: OrmSession, new: NewSession, beside: int) -> list[str]:
    """By hash, the latest sessions on the same mounting, newest first, without what is gravely warned of as
    they are amended. Rows come as they are asked for: a mounting may have thousands.
    """
    gravely = SessionRow.warnings.any(WarningRow.check_name.in_(GRAVE))
    same = (
        select(SessionRow)
        .where(
            amendments.mounting_now() == mounting_row(orm, new.mounting.name).id,
            SessionRow.id != beside,
            ~is_void(),
            SessionRow.sealed,
        )
        .where(or_(~gravely, SessionRow.amendments.any()))
        .order_by(SessionRow.id.desc())
    )
    latest: list[str] = []
    for row in orm.scalars(same.execution_options(yield_per=HISTORY_SESSIONS)):
        if not row.amendments or GRAVE_NAMES.isdisjoint(amendments.checks_now(row)):
            latest.append(row.sha256)
        if len(latest) == HISTORY_SESSIONS:
            break
    return latest


def _refuse_known(orm: OrmSession, new: NewSession, sha256: str) -> None:
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


def _refuse_twin(orm: OrmSession, new: NewSession, readings: str, counts: str | None) -> None:
    """The same recording under another label could stand on both sides of a split. It is known by its counts,
    whichever unit it is said to be of, and whatever times and temperatures were logged with it.
    """
    other = _first_usable(orm, readings, counts)
    if other is not None:
        _refuse_beside(
            f"session from {new.source.file}", other, readings, "if that session was logged wrongly"
        )


def usable_twin(orm: OrmSession, row: SessionRow) -> SessionRow | None:
    """The first other session that holds the same recording and is not void."""
    return _first_usable(orm, row.readings_sha256, row.counts_sha256, beside=row.id)


def _first_usable(
    orm: OrmSession, readings: str, counts: str | None, beside: int | None = None
) -> SessionRow | None:
    same = select(SessionRow).where(twins(readings, counts), ~is_void()).order_by(SessionRow.id)
    return next((row for row in orm.scalars(same) if row.id != beside), None)


def _refuse_beside(where: str, other: SessionRow, readings: str, when: str) -> NoReturn:
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


def take_back_void(orm: OrmSession, ref: str, reason: str) -> SessionRow:
    """Record that a void session can be used after all, and why; refused while another session that holds the
    same recording is in use.
    """
    row = session_row(orm, ref)
    other = usable_twin(orm, row)
    if other is not None:
        where = f"session {row.sha256[:ID_DIGITS]}"
        _refuse_beside(where, other, row.readings_sha256, "if that session is the wrong one")
    voiding.take_back(orm, row, reason)
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
    """All frames of a session."""
    where = f"session {session.id}"
    of_session = (
        select(BlockRow)
        .join(SessionRow)
        .where(SessionRow.sha256 == session.sha256)
        .order_by(BlockRow.position)
    )
    stored = orm.scalars(of_session).all()
    packed = [blocks.Block(b.frames, b.t_ms, b.counts, b.temperature_c, b.format) for b in stored]
    sealed = session.as_sealed or session
    unpacked = blocks.from_blocks(packed, sealed.mounting.sensor.channels, where)
    if len(unpacked) != session.frames:
        hint = "blocks of its frames are missing or changed; use a copy of the store"
        raise StoreError(where, f"{len(unpacked)} frames are there", f"{session.frames}", hint)
    return unpacked


def frames_of(orm: OrmSession, ref: str, verify: bool) -> Frames:
    """The frames of the session whose id starts with ``ref``; with ``verify``, hashed again."""
    session = to_session(session_row(orm, ref))
    stored = frames(orm, session)
    if verify:
        check(session, stored)
    return stored


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
