"""Each record of a store, read and hashed again; what fails raises."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any, Protocol

from sqlalchemy import func, select
from sqlalchemy.orm import Session as OrmSession
from sqlalchemy.orm import object_session

from dataset.blocks import Block
from dataset.blocks_hasher import BlocksHasher
from dataset.canonical import opening_sha256, session_sha256
from dataset.canonical_text import canonical_json
from dataset.errors import StoreError
from dataset.readings_hashes import ReadingsHashes
from dataset.records import ID_DIGITS, MarkRevision, Session
from dataset.store import (
    check_standards,
    instruments,
    open_captures,
    sessions,
    tables,
    units,
)
from dataset.store.database import rows_of
from dataset.store.events import amendments, retirements, statuses, voiding
from dataset.store.frozen_sets import openings_of
from dataset.store.proof import check, check_row, raw, record_sha256
from dataset.store.reading import sessions as sessions_read
from dataset.store.reading import statuses as statuses_read
from dataset.store.reading.frames import channels_of, check_number
from dataset.store.reading.sets import to_frozen_set, to_trim

MOST_FRAMES_TOGETHER = 1 << 18  # of sessions that are unpacked together, all of which are in memory


class Read(Protocol):
    """Reads the record under a key, and raises where that fails."""

    def __call__(self, orm: OrmSession, key: int | str) -> None: ...


def reader(row_type: type[tables.Base], to_record: Callable[..., object]) -> Read:
    """Reads the record, and hashes it again where it has a hash of its own."""

    def read(orm: OrmSession, key: int | str) -> None:
        row = orm.get_one(row_type, key)
        if isinstance(row, tables.Covered):
            check_row(row, str(key))
        to_record(row)

    return read


def check_frozen_set(row: tables.FrozenSetRow) -> None:
    orm = _orm_of(row)
    _check_sealed(orm, "frozen_set", row.id, f"frozen set {row.name}")
    (unmapped,) = rows_of(orm).select("frozen_set", "WHERE id = ?", row.id)
    to_frozen_set(unmapped)


def _orm_of(row: tables.Base) -> OrmSession:
    orm = object_session(row)
    if orm is None:
        raise ValueError("a row that is not loaded from a store")
    return orm


def _check_sealed(orm: OrmSession, table: str, row_id: int, where: str) -> None:
    """Anything but 1 would be read as sealed too."""
    sealed = raw(orm.connection(), f"SELECT sealed FROM {table} WHERE id = ?", row_id).scalar()  # noqa: S608 - one of two names
    if sealed != 1:
        raise StoreError(where, f"is not sealed ({sealed})", "1, as of everything that is finished")


def revisions_count_up(orm: OrmSession, what: str, row_type: type[tables.Base]) -> None:
    """Revisions of a name are counted here, so no hash covers them."""
    columns = row_type.__table__.c
    names = orm.execute(select(columns.name, columns.revision).order_by(columns.name, columns.revision))
    for name, rows in groupby(names, key=lambda row: row[0]):
        revisions = [revision for _, revision in rows]
        if revisions != list(range(1, len(revisions) + 1)):
            raise StoreError(f"{what} {name}", f"has revisions {revisions}", "1, 2, 3 and so on")


def check_trim(row: tables.TrimRow) -> None:
    to_trim(row)
    units.check_assigned(_orm_of(row), "trim", row.sha256, row.unit)
    _canonical("trim", row.body)


def check_measurement(row: tables.CheckMeasurementRow) -> None:
    check_standards.check_measurement(check_standards.to_measurement(row))
    _canonical("check measurement", row.counts)


def _canonical(what: str, body: str) -> None:
    """The same facts can be written in several ways; here they stand in one."""
    if canonical_json(json.loads(body)) != body:
        raise StoreError(what, "its text is not as innage writes it", "canonical JSON")


def check_void(orm: OrmSession, key: int | str) -> None:
    row = orm.get_one(tables.VoidRow, key)
    check_row(row, f"void {key}")
    voiding.check_parents(row)


def check_tag(orm: OrmSession, key: int | str) -> None:
    row = orm.get_one(tables.TagRow, key)
    check_row(row, f"tag {key}")
    parents = {event.record_sha256: event for event in row.session.tag_events}
    parent = parents.get(row.parent_sha256)
    if row.parent_sha256 is not None and (
        parent is None or parent.tag != row.tag or parent.removes == row.removes
    ):
        raise StoreError(f"tag {key}", f"follows an event {row.parent_sha256[:ID_DIGITS]} that is not there")


def check_retirement(orm: OrmSession, key: int | str) -> None:
    row = orm.get_one(tables.RetirementRow, key)
    check_row(row, f"retirement of {row.kind} {row.name}")
    retirements.check_parents(row, retirements.of_object(orm, row.object_sha256))


def check_status(orm: OrmSession, key: int | str) -> None:
    row = orm.get_one(tables.StatusRow, key)
    statuses_read.to_event(row)
    statuses.check_parents(row)


def check_opening(orm: OrmSession, key: int | str) -> None:
    """An opening of 'prove', and those that it follows."""
    row = orm.get_one(tables.ProveOpeningRow, key)
    frozen = orm.get_one(tables.FrozenSetRow, row.frozen_set_id)
    parents = json.loads(row.parents or "null")
    actual = opening_sha256(frozen.sha256, frozen.name, row.purpose, parents, row.number)
    check(f"prove opening {key}", actual, row.sha256)
    _canonical(f"prove opening {key}", row.parents or "")
    if (row.number is None) == bool(row.hashed_by_upgrade):
        raise StoreError(f"prove opening {key}", "says wrongly whether the upgrade hashed it")
    lost = set(parents) - {opening.sha256 for opening in openings_of(orm, frozen.sha256)}
    if lost:
        raise StoreError(
            f"prove opening {key}", f"follows opening {min(lost)[:ID_DIGITS]}, which is not there"
        )


def check_session(orm: OrmSession, key: int | str) -> None:
    """Frames, marks as sealed and every later revision of them."""
    check_sessions(orm, [key])


def check_sessions(orm: OrmSession, keys: Sequence[int | str]) -> None:
    """As :func:`check_session` of each, past the mapper; the frames of short ones are read and unpacked
    together.
    """
    by_hash = {row.sha256: row for row in rows_of(orm).having("capture_session", "sha256", keys)}
    rows = [by_hash[str(key)] for key in keys]
    records = sessions_read.to_sessions(rows)
    stored = select(func.sum(tables.BlockRow.frames)).where(
        tables.BlockRow.session_id.in_([row.id for row in rows])
    )
    together = (orm.scalar(stored) or 0) <= MOST_FRAMES_TOGETHER
    frames = iter(sessions.frames_of_many(orm, records)) if together else None
    for row, session in zip(rows, records, strict=True):
        if frames is None:
            hashes, record = _of_blocks(orm, row.id, session)
        else:
            hashes = ReadingsHashes.of(next(frames))
            record = record_sha256(orm.connection(), "capture_session", row.id)
        _check_session(orm, row, session, hashes, record)


def _of_blocks(orm: OrmSession, row_id: int, session: Session) -> tuple[ReadingsHashes, str]:
    """The hashes of a long session's frames and of its record, by blocks that are read once."""
    with BlocksHasher(channels_of(session), f"session {session.id}") as hasher:

        def seen(table: str, row: Mapping[str, Any]) -> None:
            if table == "frame_block":
                columns = ("frames", "t_ms", "counts", "temperature_c", "format")
                hasher.add(Block(*[row[column] for column in columns]))

        record = record_sha256(orm.connection(), "capture_session", row_id, seen=seen)
        hashes = hasher.hashes()
    check_number(session, hasher.frames)
    return hashes, record


def _check_session(
    orm: OrmSession, row: tables.SessionRow, session: Session, hashes: ReadingsHashes, record: str
) -> None:
    _check_sealed(orm, "capture_session", row.id, f"session {session.id}")
    check(f"session {session.id}", session_sha256(session, hashes), session.sha256)
    check(f"session {session.id}, readings", hashes.readings, row.readings_sha256)
    check(f"session {session.id}, counts", hashes.counts or "", row.counts_sha256 or "")
    check(f"session {session.id}, record", record, row.record_sha256)
    units.check_assigned(orm, f"session {session.id}", row.sha256, row.unit)
    instruments.check_known(orm, session.instruments)
    _chained(session.id, sessions_read.revisions_of(row))
    amendments.check_chain(row)
    for revision in row.mark_revisions:
        _canonical(f"session {session.id}, a revision of its marks", revision.body)


def _chained(session_id: str, revisions: Iterable[MarkRevision]) -> None:
    known: set[str | None] = {None}
    for revision in revisions:
        if revision.parent not in known:
            raise StoreError(
                f"session {session_id}",
                f"revision {revision.sha256[:ID_DIGITS]} of its marks amends one that is not there",
            )
        known.add(revision.sha256)


def check_export(orm: OrmSession, key: int | str) -> None:
    row = orm.get_one(tables.ExportRow, key)
    check_row(row, "export")
    if not row.files or any(len(file.sha256) != len(row.bundle_sha256) for file in row.files):
        raise StoreError("export", "files without a hash", "a SHA-256 for each")


def check_open_capture(orm: OrmSession, key: int | str) -> None:
    row = orm.get_one(tables.OpenCaptureRow, key)
    check_row(row, f"capture {row.name}")
    open_captures.to_open(row)
    for kind, parts in (("open_block", row.blocks), ("open_entry", row.entries)):
        for part in parts:
            actual = record_sha256(orm.connection(), kind, row.id, part.position)
            check(f"capture {row.name}", actual, part.record_sha256)
    if row.blocks:
        open_captures.frames_of(orm, row.name)
