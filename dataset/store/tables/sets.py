"""Tables of trims, of frozen sets and of the openings of their prove groups."""

from __future__ import annotations

from sqlalchemy import ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column, relationship

from dataset.records import GroupBy, Role
from dataset.store.tables.base import (
    Base,
    Covered,
    Digest,
    Key,
    Prose,
    Real,
    UniqueName,
    by_value,
    words,
)
from dataset.store.tables.registry import (
    MountingRow,
    UnitRow,
)
from dataset.store.tables.sessions import (
    SessionRow,
)


class TrimRow(Base):
    """A unit's own stored counts, as taken on ``date`` (ISO 8601); ``body`` is canonical JSON with what the
    kind needs.
    """

    __tablename__ = "trim"

    sequence: Mapped[Key]
    sha256: Mapped[Digest] = mapped_column(unique=True)
    unit_id: Mapped[int] = mapped_column(ForeignKey("unit.id"), index=True)
    mounting_id: Mapped[int] = mapped_column(ForeignKey("mounting.id"))
    session_id: Mapped[int | None] = mapped_column(ForeignKey("capture_session.id"))
    kind: Mapped[str] = mapped_column(words(20))
    stage: Mapped[Prose]
    date: Mapped[str] = mapped_column(words(10))
    temperature_c: Mapped[Real | None]
    body: Mapped[Prose]
    note: Mapped[Prose]
    unit: Mapped[UnitRow] = relationship()
    mounting: Mapped[MountingRow] = relationship()
    session: Mapped[SessionRow | None] = relationship()


class FrozenSetRow(Covered, Base):
    """A frozen set. Once ``sealed``, triggers refuse any change to it, its roles and its sessions.

    ``edges_c`` are the edges of its temperature bands as JSON, where these are its groups. ``even_if_warned``
    says why sessions that were warned of gravely are in it. ``named_by_content`` says that its hash covers
    the group of each session, whose name does not follow from the session's own content.
    """

    __tablename__ = "frozen_set"

    id: Mapped[Key]
    name: Mapped[UniqueName]
    sha256: Mapped[Digest] = mapped_column(index=True)
    sealed: Mapped[bool]
    group_by: Mapped[GroupBy] = mapped_column(by_value(GroupBy))
    seed: Mapped[int | None]
    edges_c: Mapped[Prose | None]
    even_if_warned: Mapped[Prose | None]
    named_by_content: Mapped[bool | None]
    roles: Mapped[list[FrozenRoleRow]] = relationship(
        back_populates="frozen_set", order_by="FrozenRoleRow.group_name", lazy="selectin"
    )
    sessions: Mapped[list[FrozenSessionRow]] = relationship(
        back_populates="frozen_set", order_by="FrozenSessionRow.position"
    )
    trims: Mapped[list[FrozenTrimRow]] = relationship(
        back_populates="frozen_set", order_by="FrozenTrimRow.position"
    )


class FrozenRoleRow(Base):
    __tablename__ = "frozen_role"

    frozen_set_id: Mapped[int] = mapped_column(
        ForeignKey("frozen_set.id", ondelete="CASCADE"), primary_key=True
    )
    group_name: Mapped[str] = mapped_column(words(80), primary_key=True)
    role: Mapped[Role] = mapped_column(by_value(Role))
    frozen_set: Mapped[FrozenSetRow] = relationship(back_populates="roles")


class FrozenSessionRow(Base):
    """A session of a frozen set; ``group_name`` is its group where groups are units or tanks, which may be
    called something else later.
    """

    __tablename__ = "frozen_session"

    frozen_set_id: Mapped[int] = mapped_column(
        ForeignKey("frozen_set.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("capture_session.id"), index=True)
    mark_revision_sha256: Mapped[Digest | None]
    group_name: Mapped[Prose | None]
    amendment_sha256: Mapped[Digest | None]
    frozen_set: Mapped[FrozenSetRow] = relationship(back_populates="sessions")
    session: Mapped[SessionRow] = relationship(lazy="selectin")


class FrozenTrimRow(Base):
    __tablename__ = "frozen_trim"

    frozen_set_id: Mapped[int] = mapped_column(
        ForeignKey("frozen_set.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    trim_sha256: Mapped[Digest] = mapped_column(ForeignKey("trim.sha256"))
    frozen_set: Mapped[FrozenSetRow] = relationship(back_populates="trims")
    trim: Mapped[TrimRow] = relationship(lazy="selectin")


class ProveOpeningRow(Base):
    """The event that the prove groups of a frozen set were looked at.

    ``parents`` are, as JSON, the hashes of those openings of the same choice that no other followed when it
    was made: one, but after a merge of openings on two benches. Openings from before there were hashes have
    none, and ``number`` tells those of one set and purpose apart.
    """

    __tablename__ = "prove_opening"
    __table_args__ = (Index("ix_prove_opening_sha256", "sha256", unique=True),)

    sequence: Mapped[Key]
    frozen_set_id: Mapped[int] = mapped_column(ForeignKey("frozen_set.id"), index=True)
    purpose: Mapped[Prose]
    sha256: Mapped[Digest | None]
    parents: Mapped[Prose | None]
    number: Mapped[int | None]
    hashed_by_upgrade: Mapped[bool | None]
