"""How capture sessions come in: checked, held against what the store knows, written whole and sealed."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, replace
from functools import partial
from typing import Any, cast

import numpy as np
from sqlalchemy import Table, insert, or_, select
from sqlalchemy.orm import Session as OrmSession

from dataset import blocks
from dataset.admission.plausible import GRAVE, Shown
from dataset.admission.rules import check_session
from dataset.admission.tallies import tallied
from dataset.admission.warnings import Summary, check_at_door, summarise, summary_of
from dataset.canonical import conditions_content, session_sha256
from dataset.canonical_text import canonical_json
from dataset.errors import InputError, quoted
from dataset.readings_hashes import ReadingsHashes
from dataset.records import (
    DoorWarning,
    NewSession,
    Recording,
    Session,
    TrimKind,
)
from dataset.store import check_standards, instruments, registry, units
from dataset.store.events import amendments, tagging
from dataset.store.events.voiding import is_void
from dataset.store.proof import record_sha256
from dataset.store.reading import amendments as amendments_read
from dataset.store.reading.sessions import to_sessions
from dataset.store.registry import (
    liquid_row,
    mounting_row,
    refuse_retired_places,
    same_record,
    stated_unit,
    to_liquid,
    to_mounting,
    to_unit,
    unit_ids,
    unit_row,
)
from dataset.store.sessions import frames_of_many, rows_named
from dataset.store.stored_blocks import recording
from dataset.store.tables import (
    Base,
    BlockRow,
    LiquidRow,
    MarkRow,
    MountingRow,
    SessionRow,
    StretchRow,
    TrimRow,
    UnitRow,
    WarningRow,
)
from dataset.store.twins import refuse_known, refuse_twin

GRAVE_NAMES = frozenset(GRAVE)
# what belongs to a session and was written past the mapper
WRITTEN = ("marks", "stretches", "warnings", "mark_revisions", "voids", "tag_events", "amendments")
BLOCKS_AT_ONCE = 64  # that are written by one statement
HISTORY_SESSIONS = 10  # what the import checks look back on
MOST_FRAMES_TOGETHER = 100_000  # of sessions whose frames are read by one statement


def add_sessions(
    orm: OrmSession,
    sessions: Sequence[NewSession],
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[Session, ...]:
    """Check, write and seal sessions, one after the other."""
    added: list[str] = []
    summaries: dict[str, Summary] = {}
    for new in sessions:
        refuse_retired_places(orm, new.unit, new.liquid, new.mounting)
        instruments.refuse_retired(orm, new.instruments)
        added.append(add_session(orm, new, known=summaries).sha256)
        if progress is not None:
            progress(new.source.file, len(added), len(sessions))
    orm.flush()
    return to_sessions(rows_named(orm, added))


def known_session(orm: OrmSession, new: NewSession) -> SessionRow | None:
    """The session that ``new`` is already, reading for reading and statement for statement; None where it can
    be added, InputError where it can't.
    """
    check_session(new)
    hashes = ReadingsHashes.of(new.frames)
    same = orm.scalar(select(SessionRow).where(SessionRow.sha256 == session_sha256(new, hashes)))
    if same is None:
        refuse_twin(orm, new, hashes.readings, hashes.counts)
    return same


def add_session(
    orm: OrmSession,
    new: NewSession,
    block_frames: int = blocks.BLOCK_FRAMES,
    level: int = blocks.LEVEL,
    known: dict[str, Summary] | None = None,
) -> SessionRow:
    """Check, write and seal one session; readings that the store already has are refused.

    ``known`` keeps what the import checks found out about earlier sessions, for the next call in the
    same transaction.
    """
    check_session(new)
    _check_listed(orm, new)
    row = _new_row(orm, new)
    refuse_known(orm, new, row.sha256)
    refuse_twin(orm, new, row.readings_sha256, row.counts_sha256)
    packed = blocks.packing(new.frames, block_frames, level)  # on other threads, beside the checks
    tally = tallied(new.frames, new.marks)
    own = summary_of(new, tally)
    known_here = {} if known is None else known
    own_warnings = (
        *check_at_door(new, own, *what_is_known(orm, new, known_here), tally),
        *check_standards.warnings_for(orm, new),
    )
    if known is not None:
        known[row.sha256] = own  # the next call need not read it back
    # one that is given may be found again
    write_session(orm, row, new, tuple(dict.fromkeys((*new.warnings, *own_warnings))), packed())
    units.assign(orm, row.sha256, row.unit)
    orm.expire(row, WRITTEN)
    tagging.add(orm, row, tuple(dict.fromkeys(new.tags)), new.occasion.operator)
    return row


def write_session(
    orm: OrmSession,
    row: SessionRow,
    new: NewSession,
    warnings: Sequence[DoorWarning],
    packed: Sequence[blocks.Block] | None = None,
) -> None:
    """Write a checked session with its statements and frames, and seal it; ``packed`` are its frames, where
    they are packed already.
    """
    orm.add(row)
    orm.flush()
    _write_statements(orm, row.id, new, warnings)
    written = blocks.to_blocks(new.frames) if packed is None else packed
    renewed = partial(blocks.renewed, channels=new.mounting.sensor.channels)
    for first in range(0, len(written), BLOCKS_AT_ONCE):
        rows = [
            {"session_id": row.id, "position": first + k, "format": b.format, "frames": b.frames}
            | {"t_ms": b.t_ms, "counts": b.counts, "temperature_c": b.temperature_c}
            for k, b in enumerate(map(renewed, written[first : first + BLOCKS_AT_ONCE]))
        ]
        _write_rows(orm, BlockRow, rows)
    row.record_sha256 = record_sha256(orm.connection(), "capture_session", row.id)
    row.sealed = True
    orm.flush()


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
    hashes = ReadingsHashes.of(new.frames)
    return row_of(
        new,
        unit,
        liquid,
        mounting,
        sha256=session_sha256(replace(new, unit=stated_unit(unit)), hashes),
        readings_sha256=hashes.readings,
        counts_sha256=hashes.counts,
    )


def row_of(
    new: NewSession, unit: UnitRow, liquid: LiquidRow, mounting: MountingRow, **hashes: str | None
) -> SessionRow:
    """The row, not yet written, of a session that stands on these rows and has these hashes."""
    return SessionRow(
        **hashes,
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
            _write_rows(orm, kind, rows)


def _write_rows(orm: OrmSession, kind: type[Base], rows: Sequence[dict[str, Any]]) -> None:
    """Write rows past the mapper, which would look at each of them first."""
    orm.connection().execute(insert(cast(Table, kind.__table__)), rows)


def what_is_known(
    orm: OrmSession, new: NewSession, known: dict[str, Summary] | None = None, beside: int = 0
) -> tuple[list[Summary], Shown]:
    """What a session is held against on import: the latest sessions of its unit, and what its unit's trim
    and other units on its mounting show. The session of row id ``beside`` is left out; ``known`` keeps what
    was found out about sessions.
    """
    known_here, unit = {} if known is None else known, unit_ids(orm, new.unit.name)
    return _earlier(orm, new, unit, known_here, beside), _shown(orm, new, unit, known_here, beside)


def _earlier(
    orm: OrmSession, new: NewSession, unit: Sequence[int], known: dict[str, Summary], beside: int
) -> list[Summary]:
    """What this unit's latest sessions with the same sensor say, newest last; void ones don't count."""
    same = (
        select(SessionRow.sha256)
        .join(MountingRow, MountingRow.id == amendments.mounting_now())
        .where(
            amendments.unit_now().in_(unit),
            MountingRow.sensor.has(name=new.mounting.sensor.name, revision=new.mounting.sensor.revision),
        )
        .where(~is_void(), SessionRow.sealed, SessionRow.id != beside)
        .order_by(SessionRow.id.desc())
        .limit(HISTORY_SESSIONS)
    )
    return _summaries(orm, orm.scalars(same).all(), known)[::-1]


def _summaries(orm: OrmSession, hashes: Sequence[str], known: dict[str, Summary]) -> list[Summary]:
    """What sessions say, by their hashes; ``known`` keeps it."""
    missing = [sha256 for sha256 in hashes if sha256 not in known]
    if not missing:
        return [known[sha256] for sha256 in hashes]
    sessions = to_sessions(rows_named(orm, missing))
    together = sum(session.frames for session in sessions) <= MOST_FRAMES_TOGETHER
    one_by_one = (recording(orm, session) for session in sessions)
    read: Iterator[Recording] = iter(frames_of_many(orm, sessions)) if together else one_by_one
    for session, recorded in zip(sessions, read, strict=True):
        known[session.sha256] = summarise(session, recorded)
    return [known[sha256] for sha256 in hashes]


def _shown(
    orm: OrmSession, new: NewSession, unit: Sequence[int], known: dict[str, Summary], beside: int
) -> Shown:
    """What the unit's dry trim says, and the latest sessions of any unit on the same mounting; neither void
    ones nor those that were warned of gravely.
    """
    dry = (
        select(TrimRow)
        .where(
            TrimRow.unit_id.in_(unit),
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
        None if trim is None else trim.temperature_c,
    )


def _shown_before(orm: OrmSession, new: NewSession, beside: int) -> list[str]:
    """By hash, the latest sessions on the same mounting, newest first, without what is gravely warned of as
    they are amended. They are asked for a few at a time: a mounting may have thousands.
    """
    gravely = SessionRow.warnings.any(WarningRow.check_name.in_(GRAVE))
    mounting = orm.scalar(select(MountingRow.id).where(MountingRow.name == new.mounting.name))
    same = (
        select(SessionRow.id, SessionRow.sha256, SessionRow.amendments.any())
        .where(
            amendments.mounting_now() == mounting,
            SessionRow.id != beside,
            ~is_void(),
            SessionRow.sealed,
        )
        .where(or_(~gravely, SessionRow.amendments.any()))
        .order_by(SessionRow.id.desc())
        .limit(HISTORY_SESSIONS)
    )
    latest: list[str] = []
    some = orm.execute(same).all()
    while some:
        latest += [sha256 for _, sha256, amended in some if not (amended and _gravely_now(orm, sha256))]
        if len(latest) >= HISTORY_SESSIONS or len(some) < HISTORY_SESSIONS:
            break
        some = orm.execute(same.where(SessionRow.id < some[-1][0])).all()
    return latest[:HISTORY_SESSIONS]


def _gravely_now(orm: OrmSession, sha256: str) -> bool:
    row = orm.scalars(select(SessionRow).where(SessionRow.sha256 == sha256)).one()
    return not GRAVE_NAMES.isdisjoint(amendments_read.checks_now(row))
