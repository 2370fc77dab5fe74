"""Receipts of what servers acknowledged, and blobs that wait for the objects which name them."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

from sqlalchemy import Connection, delete, func, select
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InputError
from dataset.records import Receipt
from dataset.store.database import HISTORY, TIMEOUT_S
from dataset.store.proof import keep
from dataset.store.tables import ReceiptRow, StagedBlobRow
from dataset.store.team import clock
from dataset.store.whole.other_store import reading_other

_FACTS = tuple(ReceiptRow.__table__.c[name] for name in Receipt.__dataclass_fields__)


def add(orm: OrmSession, receipts: Iterable[Receipt]) -> None:
    """Keep receipts; one that is there already changes nothing."""
    for receipt in receipts:
        facts = asdict(receipt)
        if orm.scalar(select(ReceiptRow.id).filter_by(**facts).limit(1)) is None:
            keep(orm, ReceiptRow(**facts))


def receipts_in(path: Path) -> tuple[Receipt, ...]:
    """The receipts of another store in a file, which is only read."""
    with reading_other(path, TIMEOUT_S, HISTORY) as theirs:
        return receipts(theirs)


def receipts(orm: OrmSession | Connection, server: str | None = None) -> tuple[Receipt, ...]:
    """The receipts of a server, or of all, in the order in which they were kept."""
    query = select(*_FACTS).order_by(ReceiptRow.id)
    if server is not None:
        query = query.where(ReceiptRow.server == server)
    return tuple(Receipt(*row) for row in orm.execute(query))


def to_receipt(row: ReceiptRow) -> Receipt:
    """The record."""
    return Receipt(**{name: getattr(row, name) for name in Receipt.__dataclass_fields__})


def stage(orm: OrmSession, sha256: str, content: bytes, token: str | None = None) -> bool:
    """Keep bytes until an object names them; whether they are new here.

    Raises:
        InputError: they do not hash to their name.
    """
    actual = hashlib.sha256(content).hexdigest()
    if actual != sha256:
        raise InputError("blob", f"its content hashes to {actual}", sha256)
    if orm.scalar(select(StagedBlobRow.id).where(StagedBlobRow.sha256 == sha256)) is not None:
        return False
    staged = clock.written(clock.now(orm))
    keep(orm, StagedBlobRow(sha256=sha256, size=len(content), staged=staged, token=token, content=content))
    return True


def stage_many(orm: OrmSession, blobs: Mapping[str, bytes], token: str | None = None) -> tuple[str, ...]:
    """As :func:`stage`, many; the names of those that are new here."""
    return tuple(name for name, content in blobs.items() if stage(orm, name, content, token))


def staged_names(orm: OrmSession, names: Sequence[str]) -> frozenset[str]:
    """Which of these blobs wait."""
    return frozenset(orm.scalars(select(StagedBlobRow.sha256).where(StagedBlobRow.sha256.in_(names))))


def staged_blobs(orm: OrmSession, names: Sequence[str], most_bytes: int) -> dict[str, bytes] | None:
    """These blobs, as far as they wait; None where they are more bytes than that."""
    of_these = StagedBlobRow.sha256.in_(names)
    if int(orm.scalar(select(func.sum(StagedBlobRow.size)).where(of_these)) or 0) > most_bytes:
        return None
    rows = orm.execute(select(StagedBlobRow.sha256, StagedBlobRow.content).where(of_these))
    return {name: content for name, content in rows}  # noqa: C416 - rows are no pairs to mypy


def staged_blob(orm: OrmSession, sha256: str) -> bytes | None:
    """Bytes that wait; None where there are none of this name."""
    return orm.scalar(select(StagedBlobRow.content).where(StagedBlobRow.sha256 == sha256))


def staged_bytes(orm: OrmSession, token: str | None = None) -> int:
    """How many bytes wait, of a token or of all."""
    query = select(func.sum(StagedBlobRow.size))
    if token is not None:
        query = query.where(StagedBlobRow.token == token)
    return int(orm.scalar(query) or 0)


def drop_staged(orm: OrmSession, names: Collection[str]) -> None:
    """Let go of blobs that are objects by now."""
    orm.execute(delete(StagedBlobRow).where(StagedBlobRow.sha256.in_(names)))


def drop_staged_before(orm: OrmSession, days: float) -> int:
    """Let go of blobs that wait longer than so many days; how many there were."""
    oldest = clock.written(clock.after_days(clock.now(orm), -days))
    gone = orm.execute(delete(StagedBlobRow).where(StagedBlobRow.staged < oldest))
    return int(getattr(gone, "rowcount", 0))


def check_staged(row: StagedBlobRow) -> None:
    """InputError unless staged bytes hash to their name and are as many as is said."""
    if hashlib.sha256(row.content).hexdigest() != row.sha256 or len(row.content) != row.size:
        raise InputError("staged blob", "its content has another hash or size", row.sha256)
