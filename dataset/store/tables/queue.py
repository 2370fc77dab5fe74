"""Tables of the queue of jobs. Times are text in UTC, as ``dataset.store.team.clock`` writes them."""

from __future__ import annotations

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column, relationship

from dataset.store.tables.base import Base, Bytes, Covered, Digest, Key, Prose, words
from dataset.store.tables.team import WHEN


class JobRow(Covered, Base):
    """A job: what was asked for, which never changes, and where it stands.

    ``settings``, ``inputs``, ``versions`` and ``result`` are canonical JSON. ``fence`` counts the runners
    that took it; each write of a runner names the one that it holds.
    """

    __tablename__ = "job"

    id: Mapped[Key]
    key: Mapped[Digest] = mapped_column(unique=True)
    identity: Mapped[Digest] = mapped_column(index=True)
    kind: Mapped[str] = mapped_column(words(20))
    settings: Mapped[Prose]
    inputs: Mapped[Prose]
    versions: Mapped[Prose]
    asked_at: Mapped[str] = mapped_column(words(WHEN))
    asked_by: Mapped[Prose]
    token: Mapped[str | None] = mapped_column(words(10))
    state: Mapped[str] = mapped_column(words(20), index=True)
    attempts: Mapped[int]
    fence: Mapped[int]
    lease_until: Mapped[str | None] = mapped_column(words(WHEN))
    cancel_requested: Mapped[bool]
    reason: Mapped[str | None] = mapped_column(words(20))
    result: Mapped[Prose | None]
    ended: Mapped[str | None] = mapped_column(words(WHEN))


class JobEventRow(Covered, Base):
    """Something that is told of a job; ``object_sha256`` is the key of what its runner wrote to the store."""

    __tablename__ = "job_event"

    id: Mapped[Key]
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id"), index=True)
    at: Mapped[str] = mapped_column(words(WHEN))
    attempt: Mapped[int]
    kind: Mapped[str] = mapped_column(words(20))
    text: Mapped[Prose]
    object_sha256: Mapped[Digest | None]
    job: Mapped[JobRow] = relationship()


class JobFileRow(Base):
    """The bytes of a file that a job works on or made, by their hash, packed by zstd; ``size`` is theirs."""

    __tablename__ = "job_file"

    id: Mapped[Key]
    sha256: Mapped[Digest] = mapped_column(unique=True)
    size: Mapped[int]
    packed: Mapped[Bytes]
