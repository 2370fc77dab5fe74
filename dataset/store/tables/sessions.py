"""Tables of capture sessions: what is sealed with them, and what was said of them later."""

from __future__ import annotations

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column, relationship

from dataset.store.tables.base import (
    Base,
    Bytes,
    Covered,
    Digest,
    Key,
    Name,
    Prose,
    Real,
    words,
)
from dataset.store.tables.registry import (
    LiquidRow,
    MountingRow,
    UnitRow,
)


class SessionRow(Covered, Base):
    """A capture session. Once ``sealed``, triggers refuse any change to it, its marks and its blocks.

    ``sha256`` covers its whole content, ``readings_sha256`` its frames alone, ``counts_sha256`` their counts
    alone, where enough of them differ to tell one recording from another.
    """

    __tablename__ = "capture_session"

    id: Mapped[Key]
    sha256: Mapped[Digest] = mapped_column(unique=True)
    readings_sha256: Mapped[Digest] = mapped_column(index=True)
    sealed: Mapped[bool]
    unit_id: Mapped[int] = mapped_column(ForeignKey("unit.id"))
    liquid_id: Mapped[int] = mapped_column(ForeignKey("liquid.id"))
    mounting_id: Mapped[int] = mapped_column(ForeignKey("mounting.id"))
    frames: Mapped[int]
    source_file: Mapped[Prose]
    source_sha256: Mapped[Digest]
    note: Mapped[Prose]
    simulated: Mapped[bool | None]
    operator: Mapped[str | None] = mapped_column(words(60))
    bench: Mapped[str | None] = mapped_column(words(32))
    started: Mapped[str | None] = mapped_column(words(40))
    firmware: Mapped[Prose | None]
    instruments: Mapped[Prose | None]  # hashes of calibrations, as JSON
    counts_sha256: Mapped[Digest | None] = mapped_column(index=True)
    unit: Mapped[UnitRow] = relationship(lazy="selectin")
    liquid: Mapped[LiquidRow] = relationship(lazy="selectin")
    mounting: Mapped[MountingRow] = relationship(lazy="selectin")
    marks: Mapped[list[MarkRow]] = relationship(
        back_populates="session", order_by="MarkRow.position", lazy="selectin"
    )
    blocks: Mapped[list[BlockRow]] = relationship(back_populates="session", order_by="BlockRow.position")
    stretches: Mapped[list[StretchRow]] = relationship(
        back_populates="session", order_by="StretchRow.position", lazy="selectin"
    )
    warnings: Mapped[list[WarningRow]] = relationship(
        back_populates="session", order_by="WarningRow.position", lazy="selectin"
    )
    mark_revisions: Mapped[list[MarkRevisionRow]] = relationship(
        back_populates="session", order_by="MarkRevisionRow.sequence", lazy="selectin"
    )
    voids: Mapped[list[VoidRow]] = relationship(
        back_populates="session", order_by="VoidRow.sequence", lazy="selectin"
    )
    tag_events: Mapped[list[TagRow]] = relationship(
        back_populates="session", order_by="TagRow.sequence", lazy="selectin"
    )
    amendments: Mapped[list[AmendmentRow]] = relationship(
        back_populates="session", order_by="AmendmentRow.sequence", lazy="selectin"
    )


class MarkRow(Base):
    __tablename__ = "mark"

    session_id: Mapped[int] = mapped_column(
        ForeignKey("capture_session.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    start: Mapped[int]
    stop: Mapped[int]
    level_mm: Mapped[Real]
    u_mm: Mapped[Real | None]
    u_common_mm: Mapped[Real | None]
    level_stop_mm: Mapped[Real | None]
    method: Mapped[Prose | None]
    session: Mapped[SessionRow] = relationship(back_populates="marks")


class BlockRow(Base):
    """A few thousand consecutive frames, each column packed by ``dataset.blocks`` in its format
    ``format``.
    """

    __tablename__ = "frame_block"

    session_id: Mapped[int] = mapped_column(
        ForeignKey("capture_session.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    format: Mapped[int]
    frames: Mapped[int]
    t_ms: Mapped[Bytes]
    counts: Mapped[Bytes]
    temperature_c: Mapped[Bytes | None]
    session: Mapped[SessionRow] = relationship(back_populates="blocks")


class VoidRow(Covered, Base):
    """The event that a session was voided, or (``takes_back``) that one such event was taken back.

    ``parent_sha256`` is the record hash of the event that this one follows: of the void that is taken back,
    or of the take-back after which the session was voided again. ``sequence`` is the order in which events
    came into this store; nothing rests on it.
    """

    __tablename__ = "void_event"

    sequence: Mapped[Key]
    session_id: Mapped[int] = mapped_column(ForeignKey("capture_session.id"), index=True)
    reason: Mapped[Prose]
    parent_sha256: Mapped[Digest | None]
    takes_back: Mapped[bool | None]
    session: Mapped[SessionRow] = relationship(back_populates="voids")


class TagRow(Covered, Base):
    """The event that a session was tagged, or (``removes``) that one such event was undone.

    ``parent_sha256`` is the record hash of the event that is undone, or of the removal after which the same
    tag came again. ``sequence`` is the order in which events came into this store; nothing rests on it.
    """

    __tablename__ = "tag_event"

    sequence: Mapped[Key]
    session_id: Mapped[int] = mapped_column(ForeignKey("capture_session.id"), index=True)
    tag: Mapped[Name] = mapped_column(index=True)
    removes: Mapped[bool]
    author: Mapped[Prose | None]
    parent_sha256: Mapped[Digest | None]
    session: Mapped[SessionRow] = relationship(back_populates="tag_events")


class StretchRow(Base):
    """Conditions of a stretch of frames; ``body`` is their canonical JSON."""

    __tablename__ = "condition_stretch"

    session_id: Mapped[int] = mapped_column(
        ForeignKey("capture_session.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    start: Mapped[int]
    stop: Mapped[int]
    body: Mapped[Prose]
    session: Mapped[SessionRow] = relationship(back_populates="stretches")


class WarningRow(Base):
    """What an import check found when the session was logged, without refusing it."""

    __tablename__ = "door_warning"

    session_id: Mapped[int] = mapped_column(
        ForeignKey("capture_session.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    check_name: Mapped[Name]
    sentence: Mapped[Prose]
    session: Mapped[SessionRow] = relationship(back_populates="warnings")


class MarkRevisionRow(Base):
    """A later revision of a sealed session's marks; ``body`` is their canonical JSON, ``parent_sha256`` the
    revision it amends.
    """

    __tablename__ = "mark_revision"

    sequence: Mapped[Key]
    session_id: Mapped[int] = mapped_column(ForeignKey("capture_session.id"), index=True)
    sha256: Mapped[Digest] = mapped_column(unique=True)
    parent_sha256: Mapped[Digest | None]
    author: Mapped[Prose]
    reason: Mapped[Prose]
    body: Mapped[Prose]
    session: Mapped[SessionRow] = relationship(back_populates="mark_revisions")


class AmendmentRow(Base):
    """What a sealed session says since: everything in which it differs from what was sealed.

    ``parents`` are, as JSON, the hashes of the amendments that it follows, ``depth`` is the length of the
    longest chain that ends in it: the deepest is in use, of two the one of the greater hash. ``body`` is
    canonical JSON with what is stated beside unit, liquid and mounting.
    """

    __tablename__ = "amendment"

    sequence: Mapped[Key]
    session_id: Mapped[int] = mapped_column(ForeignKey("capture_session.id"), index=True)
    sha256: Mapped[Digest] = mapped_column(unique=True)
    parents: Mapped[Prose]
    depth: Mapped[int]
    author: Mapped[Prose]
    reason: Mapped[Prose]
    unit_id: Mapped[int | None] = mapped_column(ForeignKey("unit.id"))
    liquid_id: Mapped[int | None] = mapped_column(ForeignKey("liquid.id"))
    mounting_id: Mapped[int | None] = mapped_column(ForeignKey("mounting.id"))
    body: Mapped[Prose]
    session: Mapped[SessionRow] = relationship(back_populates="amendments")
    unit: Mapped[UnitRow | None] = relationship(lazy="selectin")
    liquid: Mapped[LiquidRow | None] = relationship(lazy="selectin")
    mounting: Mapped[MountingRow | None] = relationship(lazy="selectin")
