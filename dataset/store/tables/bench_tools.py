"""Tables of a bench's instruments and check standards."""

from __future__ import annotations

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from dataset.store.tables.base import (
    Base,
    Covered,
    Digest,
    Key,
    Name,
    Prose,
    Real,
    words,
)
from dataset.store.tables.registry import (
    SensorRow,
)


class InstrumentRow(Covered, Base):
    """An instrument as one calibration found it; ``bench`` is the identity of the bench that it is of."""

    __tablename__ = "instrument"
    __table_args__ = (UniqueConstraint("bench", "name", "calibrated"),)

    id: Mapped[Key]
    name: Mapped[Name]
    kind: Mapped[str] = mapped_column(words(20))
    calibrated: Mapped[str] = mapped_column(words(10))
    uncertainty: Mapped[Real]
    coverage: Mapped[Real]
    resolution: Mapped[Real]
    interval_days: Mapped[int | None]
    serial: Mapped[Prose]
    certificate: Mapped[Prose]
    note: Mapped[Prose]
    bench: Mapped[str] = mapped_column(words(32))
    sha256: Mapped[Digest] = mapped_column(unique=True)  # the name of its document, by which sessions name it


class CheckStandardRow(Covered, Base):
    __tablename__ = "check_standard"
    __table_args__ = (UniqueConstraint("bench", "name"),)

    id: Mapped[Key]
    name: Mapped[Name]
    kind: Mapped[str] = mapped_column(words(20))
    sensor_id: Mapped[int] = mapped_column(ForeignKey("sensor.id"))
    note: Mapped[Prose]
    bench: Mapped[str] = mapped_column(words(32))
    sensor: Mapped[SensorRow] = relationship(lazy="selectin")
    measurements: Mapped[list[CheckMeasurementRow]] = relationship(
        back_populates="standard", order_by="CheckMeasurementRow.date, CheckMeasurementRow.record_sha256"
    )


class CheckMeasurementRow(Covered, Base):
    """What a check standard measured on a day; ``counts`` are a mean for each channel, as JSON."""

    __tablename__ = "check_measurement"

    sequence: Mapped[Key]
    standard_id: Mapped[int] = mapped_column(ForeignKey("check_standard.id"), index=True)
    date: Mapped[str] = mapped_column(words(10))
    counts: Mapped[Prose]
    temperature_c: Mapped[Real | None]
    frames: Mapped[int]
    operator: Mapped[str | None] = mapped_column(words(60))
    note: Mapped[Prose]
    standard: Mapped[CheckStandardRow] = relationship(back_populates="measurements")
