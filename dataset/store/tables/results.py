"""Tables of models: what was said of them, exported, and measured on boards."""

from __future__ import annotations

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from dataset.store.tables.base import (
    Base,
    Bytes,
    Covered,
    Digest,
    Key,
    Prose,
    Real,
    UniqueName,
    words,
)
from dataset.store.tables.registry import (
    LimitsRow,
)
from dataset.store.tables.sets import (
    FrozenSetRow,
)


class StatusRow(Covered, Base):
    """The event that somebody said what a model is: a candidate, or retired.

    ``parents`` are, as JSON, the record hashes of the model's events that no other followed when this one was
    made.
    """

    __tablename__ = "status_event"

    sequence: Mapped[Key]
    model_id: Mapped[int] = mapped_column(ForeignKey("model.id"), index=True)
    status: Mapped[str] = mapped_column(words(20))
    author: Mapped[Prose]
    reason: Mapped[Prose]
    parents: Mapped[Prose]
    model: Mapped[ModelRow] = relationship(back_populates="statuses")


class ModelRow(Covered, Base):
    """A model; ``sha256`` is its program's digest, ``content_sha256`` covers everything but its names."""

    __tablename__ = "model"

    id: Mapped[Key]
    name: Mapped[UniqueName]
    sha256: Mapped[Digest] = mapped_column(index=True)
    frozen_set_id: Mapped[int] = mapped_column(ForeignKey("frozen_set.id"))
    limits_id: Mapped[int | None] = mapped_column(ForeignKey("limits.id"))
    recipe: Mapped[Prose]
    versions: Mapped[Prose]
    metrics: Mapped[Prose]
    program: Mapped[Prose]
    float_onnx: Mapped[Bytes]
    parent: Mapped[str | None] = mapped_column(words(60))
    date: Mapped[str | None] = mapped_column(words(10))
    content_sha256: Mapped[Digest | None]
    frozen_set: Mapped[FrozenSetRow] = relationship()
    limits: Mapped[LimitsRow | None] = relationship()
    statuses: Mapped[list[StatusRow]] = relationship(back_populates="model", order_by="StatusRow.sequence")


class ExportRow(Covered, Base):
    __tablename__ = "export"
    __table_args__ = (UniqueConstraint("model_id", "bundle_sha256"),)

    id: Mapped[Key]
    model_id: Mapped[int] = mapped_column(ForeignKey("model.id"))
    bundle_sha256: Mapped[Digest]
    model: Mapped[ModelRow] = relationship()
    files: Mapped[list[ExportedFileRow]] = relationship(
        back_populates="export", order_by="ExportedFileRow.name"
    )


class BoardMeasurementRow(Covered, Base):
    """What a board measured while it gave every expected number of a bundle's vectors."""

    __tablename__ = "board_measurement"

    id: Mapped[Key]
    model_id: Mapped[int] = mapped_column(ForeignKey("model.id"), index=True)
    bundle_sha256: Mapped[Digest] = mapped_column(index=True)
    board: Mapped[Prose]
    firmware: Mapped[Prose]
    compiler: Mapped[Prose]
    built: Mapped[Prose]
    clock_hz: Mapped[int]
    vectors: Mapped[int]
    cycles: Mapped[int | None]
    cycles_mean: Mapped[Real | None]
    prepare_cycles: Mapped[int | None]
    stack_bytes: Mapped[int | None]
    model: Mapped[ModelRow] = relationship()


class ExportedFileRow(Base):
    __tablename__ = "exported_file"

    export_id: Mapped[int] = mapped_column(ForeignKey("export.id", ondelete="CASCADE"), primary_key=True)
    name: Mapped[str] = mapped_column(words(255), primary_key=True)
    sha256: Mapped[Digest] = mapped_column(index=True)
    export: Mapped[ExportRow] = relationship(back_populates="files")
