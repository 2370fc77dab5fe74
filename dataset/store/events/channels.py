"""Channels: names that point at bundles, each moved by an event with a reason that follows the one before it.

The moves of a channel are a chain in the store in which they were made. They do not travel when stores are
united: what a channel points at is said in one place, the store that people pull from.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from sqlalchemy import select
from sqlalchemy.orm import Session as OrmSession

from dataset.canonical_text import canonical_json, sha256
from dataset.errors import ChangedMeanwhileError, InputError, NotFoundError, StoreError, there_are
from dataset.records import ID_DIGITS, ChannelMove
from dataset.store import tables
from dataset.store.events.following import instant
from dataset.store.events.withdrawals import withdrawn
from dataset.store.proof import check_row, keep
from dataset.store.results.bundles import bundle_row, to_bundle
from dataset.store.results.models import model_row
from dataset.values import check_channel, check_reason


@dataclass(frozen=True)
class NewMove:
    """A move that somebody asks for. ``follows`` is the hash of the move that stands as far as they know,
    None where the channel is new. ``said`` is the state of what was said of the bundle's model when the
    bundle was judged; see :func:`said_of`.
    """

    channel: str
    bundle_sha256: str
    author: str
    reason: str
    when: datetime
    follows: str | None
    said: str
    concessions: tuple[str, ...] = ()
    judged_by: str = ""


def move(orm: OrmSession, new: NewMove) -> ChannelMove:
    """Point a channel at a bundle that the store keeps."""
    check_channel(new.channel)
    where = f"channel {new.channel}"
    check_reason(f"{where}, author", new.author, "who moved it")
    check_reason(f"{where}, reason", new.reason, "why it was moved")
    export = bundle_row(orm, new.bundle_sha256)
    before = _last(orm, new.channel)
    stands = None if before is None else before.record_sha256
    if stands != new.follows:
        raise ChangedMeanwhileError(
            where,
            "is new here"
            if before is None
            else f"points at bundle {before.bundle_sha256[:ID_DIGITS]} by now",
            "what it pointed at when you looked",
            "look at it again, then move it",
        )
    if before is not None and before.bundle_sha256 == export.bundle_sha256:
        raise InputError(where, f"points at bundle {export.bundle_sha256[:ID_DIGITS]} already")
    because = withdrawn(orm, export.bundle_sha256)
    if because is not None:
        raise InputError(
            where,
            f"bundle {export.bundle_sha256[:ID_DIGITS]} is withdrawn ({because})",
            "a bundle that may be used",
            "take the withdrawal back first, or move it to another",
        )
    if said_of(orm, export.model.name) != new.said:
        raise ChangedMeanwhileError(
            where,
            "something was said of the bundle's model or its sessions while the bundle was judged",
            "",
            "move it again: it is judged anew",
        )
    row = tables.ChannelMoveRow(
        channel=new.channel,
        bundle_sha256=export.bundle_sha256,
        parent_sha256=stands,
        author=new.author,
        reason=new.reason,
        moved_at=instant(new.when),
        concessions=canonical_json(list(new.concessions)),
        judged_by=new.judged_by,
    )
    keep(orm, row)
    return to_move(row)


def channel(orm: OrmSession, name: str) -> ChannelMove:
    """The move of a channel that stands."""
    row = _last(orm, name)
    if row is None:
        known = orm.scalars(select(tables.ChannelMoveRow.channel).distinct().order_by("channel")).all()
        hint = there_are(known, name, "there are no channels yet: make one with Store.move_channel")
        raise NotFoundError(
            f"channel {name}", "is not in this store", "", hint, fields=("Store.move_channel",)
        )
    return to_move(row)


def channels(orm: OrmSession) -> tuple[ChannelMove, ...]:
    """The move that stands of each channel, by name."""
    ordered = select(tables.ChannelMoveRow).order_by(tables.ChannelMoveRow.channel, tables.ChannelMoveRow.id)
    return tuple(
        to_move(_chain(list(rows))[-1]) for _, rows in groupby(orm.scalars(ordered), lambda row: row.channel)
    )


def moves(orm: OrmSession, name: str) -> tuple[ChannelMove, ...]:
    """The moves of a channel, the oldest first, every hash checked."""
    return tuple(map(to_move, _chain(_rows(orm, name))))


def moves_to(orm: OrmSession, bundle_sha256: str) -> tuple[ChannelMove, ...]:
    """Every move of any channel to a bundle, the oldest first, every hash checked."""
    query = select(tables.ChannelMoveRow).where(tables.ChannelMoveRow.bundle_sha256 == bundle_sha256)
    return tuple(map(to_move, orm.scalars(query.order_by(tables.ChannelMoveRow.id))))


def said_of(orm: OrmSession, model: str) -> str:
    """A hash over everything that was said of a model and of the sessions behind it: voids, amendments,
    revisions of marks, statuses. It changes when something further is said.
    """
    row = model_row(orm, model)
    members = select(tables.FrozenSessionRow.session_id).where(
        tables.FrozenSessionRow.frozen_set_id == row.frozen_set_id
    )
    said: list[str] = []
    for event, name in (
        (tables.VoidRow, tables.VoidRow.record_sha256),
        (tables.AmendmentRow, tables.AmendmentRow.sha256),
        (tables.MarkRevisionRow, tables.MarkRevisionRow.sha256),
    ):
        said += map(str, orm.scalars(select(name).where(event.session_id.in_(members))))
    said += [str(event.record_sha256) for event in row.statuses]
    return sha256(sorted(said))


def check_move(orm: OrmSession, key: int | str) -> None:
    """StoreError unless a move has its hash, the moves of its channel are a chain, and the bundle's files are
    kept.
    """
    row = orm.get_one(tables.ChannelMoveRow, key)
    to_move(row)
    if canonical_json(json.loads(row.concessions)) != row.concessions:
        raise StoreError(f"channel {row.channel}", "its text is not as innage writes it", "canonical JSON")
    _chain(_rows(orm, row.channel))
    if not to_bundle(orm, bundle_row(orm, row.bundle_sha256), None).kept:
        raise StoreError(
            f"channel {row.channel}",
            f"the files of bundle {row.bundle_sha256[:ID_DIGITS]} are not all there",
            "the files of every bundle that a channel was moved to",
        )


def to_move(row: tables.ChannelMoveRow) -> ChannelMove:
    """The record, its hash checked again."""
    check_row(row, f"channel {row.channel}")
    return ChannelMove(
        str(row.record_sha256),
        row.parent_sha256,
        row.channel,
        row.bundle_sha256,
        row.author,
        row.reason,
        row.moved_at,
        tuple(json.loads(row.concessions)),
        row.judged_by,
    )


def _rows(orm: OrmSession, name: str) -> list[tables.ChannelMoveRow]:
    query = select(tables.ChannelMoveRow).where(tables.ChannelMoveRow.channel == name)
    return list(orm.scalars(query.order_by(tables.ChannelMoveRow.id)))


def _last(orm: OrmSession, name: str) -> tables.ChannelMoveRow | None:
    rows = _chain(_rows(orm, name))
    return rows[-1] if rows else None


def _chain(rows: Sequence[tables.ChannelMoveRow]) -> Sequence[tables.ChannelMoveRow]:
    """The same; StoreError unless each follows the one before it."""
    before: str | None = None
    for row in rows:
        if row.parent_sha256 != before:
            raise StoreError(
                f"channel {row.channel}",
                f"its moves are no chain: one follows {str(row.parent_sha256)[:ID_DIGITS]}",
                f"{str(before)[:ID_DIGITS]}, the move before it",
                "the store was changed by something else than innage; use a copy of it",
            )
        before = row.record_sha256
    return rows
