"""Tables of live captures that are not sealed yet."""

from __future__ import annotations

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column, relationship

from dataset.store.tables.base import (
    Base,
    Bytes,
    Covered,
    Key,
    Prose,
    UniqueName,
)
from dataset.store.tables.registry import (
    LiquidRow,
    MountingRow,
    UnitRow,
)


class OpenCaptureRow(Covered, Base):
    """A live capture that isn't sealed yet; ``body`` is canonical JSON with its settings."""

    __tablename__ = "open_capture"

    id: Mapped[Key]
    name: Mapped[UniqueName]
    unit_id: Mapped[int] = mapped_column(ForeignKey("unit.id"))
    liquid_id: Mapped[int] = mapped_column(ForeignKey("liquid.id"))
    mounting_id: Mapped[int] = mapped_column(ForeignKey("mounting.id"))
    body: Mapped[Prose]
    unit: Mapped[UnitRow] = relationship()
    liquid: Mapped[LiquidRow] = relationship()
    mounting: Mapped[MountingRow] = relationship()
    blocks: Mapped[list[OpenBlockRow]] = relationship(
        back_populates="capture", order_by="OpenBlockRow.position"
    )
    entries: Mapped[list[OpenEntryRow]] = relationship(
        back_populates="capture", order_by="OpenEntryRow.position"
    )


class OpenBlockRow(Covered, Base):
    """Frames of an open capture, packed as in ``frame_block``."""

    __tablename__ = "open_block"

    capture_id: Mapped[int] = mapped_column(
        ForeignKey("open_capture.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    format: Mapped[int]
    frames: Mapped[int]
    t_ms: Mapped[Bytes]
    counts: Mapped[Bytes]
    temperature_c: Mapped[Bytes | None]
    capture: Mapped[OpenCaptureRow] = relationship(back_populates="blocks")


class OpenEntryRow(Covered, Base):
    """What the operator entered during an open capture; ``body`` is canonical JSON."""

    __tablename__ = "open_entry"

    capture_id: Mapped[int] = mapped_column(
        ForeignKey("open_capture.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    body: Mapped[Prose]
    capture: Mapped[OpenCaptureRow] = relationship(back_populates="entries")
