"""Live captures on their way, between rows and records: begun, appended to, listed, sealed into sessions,
discarded.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session as OrmSession

from dataset import blocks
from dataset.canonical_text import canonical_json
from dataset.errors import InputError, NotFoundError
from dataset.records import Frames, Liquid, Mounting, NewSession, Session, Unit
from dataset.store.admitting import add_session
from dataset.store.proof import facts_sha256, keep
from dataset.store.reading.sessions import to_session
from dataset.store.registry import (
    liquid_row,
    mounting_row,
    refuse_retired_places,
    same_record,
    to_liquid,
    to_mounting,
    to_unit,
    unit_row,
)
from dataset.store.tables import OpenBlockRow, OpenCaptureRow, OpenEntryRow
from dataset.values import check_name

FAST = 1  # of zstd: a block is written twice a second, and packed again when the session is sealed


@dataclass(frozen=True)
class OpenCapture:
    """A live capture that isn't sealed yet. ``entries`` are JSON objects in the order they were made,
    ``blocks`` counts its commits.
    """

    name: str
    unit: Unit
    liquid: Liquid
    mounting: Mounting
    settings: Mapping[str, Any]
    entries: tuple[Mapping[str, Any], ...]
    frames: int
    blocks: int


def begin(
    orm: OrmSession, name: str, unit: Unit, liquid: Liquid, mounting: Mounting, settings: Mapping[str, Any]
) -> OpenCapture:
    check_name("capture", name)
    if orm.scalar(select(OpenCaptureRow).where(OpenCaptureRow.name == name)) is not None:
        ways = tuple(
            f"{way}('{name}')" for way in ("Capture.resume", "Store.seal_capture", "Store.discard_capture")
        )
        hint = f"go on with {ways[0]}, or end it with {ways[1]} or {ways[2]}"
        raise InputError(f"capture {name}", "is open already", "another name", hint, fields=ways)
    row = OpenCaptureRow(
        name=name,
        unit=unit_row(orm, unit.name),
        liquid=liquid_row(orm, liquid.name),
        mounting=mounting_row(orm, mounting.name),
        body=canonical_json(settings),
    )
    same_record("unit", unit, to_unit(row.unit))
    same_record("liquid", liquid, to_liquid(row.liquid))
    same_record("mounting", mounting, to_mounting(row.mounting))
    refuse_retired_places(orm, unit, liquid, mounting)
    keep(orm, row)
    return to_open(row)


def to_open(row: OpenCaptureRow) -> OpenCapture:
    return OpenCapture(
        row.name,
        to_unit(row.unit),
        to_liquid(row.liquid),
        to_mounting(row.mounting),
        json.loads(row.body),
        tuple(json.loads(entry.body) for entry in row.entries),
        sum(block.frames for block in row.blocks),
        len(row.blocks),
    )


def row_of(orm: OrmSession, name: str) -> OpenCaptureRow:
    """The open capture called ``name``."""
    row = orm.scalar(select(OpenCaptureRow).where(OpenCaptureRow.name == name))
    if row is None:
        there = ", ".join(orm.scalars(select(OpenCaptureRow.name).order_by(OpenCaptureRow.name)))
        raise NotFoundError(
            f"capture {name}", "is not open", "", f"open captures: {there}" if there else "no capture is open"
        )
    return row


def all_rows(orm: OrmSession) -> Sequence[OpenCaptureRow]:
    return orm.scalars(select(OpenCaptureRow).order_by(OpenCaptureRow.id)).all()


def append(
    orm: OrmSession,
    name: str,
    blocks_before: int,
    entries_before: int,
    frames: Frames,
    entries: Sequence[Mapping[str, Any]],
) -> int:
    """Add frames and entries after those that the writer knows of; how many blocks. InputError when another
    process wrote in between.
    """
    row = orm.scalar(select(OpenCaptureRow).where(OpenCaptureRow.name == name))
    if row is None:
        raise InputError(
            f"capture {name}", "was sealed or discarded by another process", "", "begin a new one"
        )
    last_block = orm.scalar(
        select(OpenBlockRow.position)
        .where(OpenBlockRow.capture_id == row.id)
        .order_by(OpenBlockRow.position.desc())
        .limit(1)
    )
    last_entry = orm.scalar(
        select(OpenEntryRow.position)
        .where(OpenEntryRow.capture_id == row.id)
        .order_by(OpenEntryRow.position.desc())
        .limit(1)
    )
    if (last_block, last_entry) != tuple(
        before - 1 if before else None for before in (blocks_before, entries_before)
    ):
        raise InputError(
            f"capture {name}",
            "another process writes to it too",
            "",
            "one process at a time; stop one of them",
        )
    packed: list[dict[str, object]] = []
    capture = {"capture_id": row.record_sha256}
    if len(frames):
        # always with a temperature: blocks of one session agree on their columns
        warm = np.full(len(frames), np.nan) if frames.temperature_c is None else frames.temperature_c
        whole = Frames(frames.t_ms, frames.counts, warm)
        packed = [
            {"capture_id": row.id, "position": blocks_before + k, "format": b.format, "frames": b.frames}
            | {"t_ms": b.t_ms, "counts": b.counts, "temperature_c": b.temperature_c}
            for k, b in enumerate(blocks.to_blocks(whole, level=FAST))
        ]
        for block in packed:
            block["record_sha256"] = facts_sha256("open_block", block | capture)
        orm.execute(insert(OpenBlockRow), packed)
    if entries:
        rows: list[dict[str, object]] = [
            {"capture_id": row.id, "position": entries_before + k, "body": canonical_json(entry)}
            for k, entry in enumerate(entries)
        ]
        for entered in rows:
            entered["record_sha256"] = facts_sha256("open_entry", entered | capture)
        orm.execute(insert(OpenEntryRow), rows)
    return len(packed)


def frames_of(orm: OrmSession, name: str) -> Frames:
    """All frames so far; no temperature column when none was measured."""
    row = row_of(orm, name)
    packed = [blocks.Block(b.frames, b.t_ms, b.counts, b.temperature_c, b.format) for b in row.blocks]
    frames = blocks.frame_by_frame(
        blocks.from_blocks(packed, len(row.mounting.sensor.pads), f"capture {name}")
    )
    measured = frames.temperature_c is not None and bool(np.isfinite(frames.temperature_c).any())
    return frames if measured else Frames(frames.t_ms, frames.counts)


def seal(orm: OrmSession, name: str, new: NewSession) -> Session:
    """Make an open capture the session ``new``, and remove it."""
    discard(orm, name)
    return to_session(add_session(orm, new))


def discard(orm: OrmSession, name: str) -> None:
    """Remove an open capture with everything in it."""
    row = row_of(orm, name)
    orm.execute(delete(OpenCaptureRow).where(OpenCaptureRow.id == row.id))
