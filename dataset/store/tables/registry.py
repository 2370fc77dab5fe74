"""Tables of the registry: tanks, liquids, sensors, mountings, benches, units, operators, budgets, limits,
column mappings; and what was said of them later.
"""

from __future__ import annotations

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from dataset.records import CountLaw, PadRole
from dataset.store.tables.base import (
    Base,
    Covered,
    Digest,
    Key,
    Name,
    Prose,
    Real,
    UniqueName,
    by_value,
    words,
)


class TankRow(Covered, Base):
    __tablename__ = "tank"
    __table_args__ = (UniqueConstraint("name", "revision"),)

    id: Mapped[Key]
    name: Mapped[Name]
    revision: Mapped[int]
    span_mm: Mapped[Real]
    wall_material: Mapped[Prose]
    wall_mm: Mapped[Real | None]
    dead_volume_ml: Mapped[Real | None]
    inlet_mm: Mapped[Real | None]
    note: Mapped[Prose]
    profile: Mapped[Prose | None]
    headspace_mm: Mapped[Real | None]
    expansion_per_k: Mapped[Real | None]
    reference_c: Mapped[Real | None]


class LiquidRow(Covered, Base):
    __tablename__ = "liquid"

    id: Mapped[Key]
    name: Mapped[UniqueName]
    permittivity: Mapped[Real | None]
    conductivity: Mapped[Real | None]
    density: Mapped[Real | None]
    temperature_c: Mapped[Real | None]
    note: Mapped[Prose]
    model: Mapped[Prose | None]
    source: Mapped[Prose | None]


class SensorRow(Covered, Base):
    __tablename__ = "sensor"
    __table_args__ = (UniqueConstraint("name", "revision"),)

    id: Mapped[Key]
    name: Mapped[Name]
    revision: Mapped[int]
    count_bits: Mapped[int]
    count_law: Mapped[CountLaw] = mapped_column(by_value(CountLaw))
    period_ms: Mapped[int]
    period_tolerance_pct: Mapped[int]
    note: Mapped[Prose]
    count_scale: Mapped[int | None]  # None: 1, so that the records of before keep their hashes
    pads: Mapped[list[PadRow]] = relationship(
        back_populates="sensor", order_by="PadRow.channel", lazy="selectin"
    )


class PadRow(Base):
    __tablename__ = "pad"

    sensor_id: Mapped[int] = mapped_column(ForeignKey("sensor.id", ondelete="CASCADE"), primary_key=True)
    channel: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[Name]
    bottom_mm: Mapped[Real]
    height_mm: Mapped[Real]
    width_mm: Mapped[Real | None]
    frequency_hz: Mapped[Real | None]
    role: Mapped[PadRole] = mapped_column(by_value(PadRole))
    sensor: Mapped[SensorRow] = relationship(back_populates="pads")


class MountingRow(Covered, Base):
    __tablename__ = "mounting"

    id: Mapped[Key]
    name: Mapped[UniqueName]
    tank_id: Mapped[int] = mapped_column(ForeignKey("tank.id"))
    sensor_id: Mapped[int] = mapped_column(ForeignKey("sensor.id"))
    offset_mm: Mapped[Real]
    offset_tolerance_mm: Mapped[Real]
    note: Mapped[Prose]
    tank: Mapped[TankRow] = relationship(lazy="selectin")
    sensor: Mapped[SensorRow] = relationship(lazy="selectin")


class BenchRow(Covered, Base):
    """Where units come from; one row is this store's ``own``."""

    __tablename__ = "bench"

    id: Mapped[Key]
    identity: Mapped[str] = mapped_column(words(32), unique=True)
    name: Mapped[UniqueName]  # what this store calls it: may get '@' and digits of its identity
    note: Mapped[Prose]
    own: Mapped[bool]


class UnitRow(Covered, Base):
    """A unit as its bench of origin registered it; ``identity`` is the hash of what it is known by.

    Units that turned out to be one stay rows of their own, since the hashes of their sessions name them.
    ``same_as_id`` is then the row that this store shows in their place, and ``first_id``, of that row, the
    one whose identity all stores take for theirs; both are worked out anew from assignments and unions
    (:mod:`dataset.store.units`), and so is ``name``.
    """

    __tablename__ = "unit"

    id: Mapped[Key]
    name: Mapped[UniqueName]
    note: Mapped[Prose]
    serial: Mapped[Prose | None]
    bench_id: Mapped[int] = mapped_column(ForeignKey("bench.id"))
    identity: Mapped[Digest] = mapped_column(unique=True)
    same_as_id: Mapped[int | None] = mapped_column(ForeignKey("unit.id"))
    first_id: Mapped[int | None] = mapped_column(ForeignKey("unit.id"))
    bench: Mapped[BenchRow] = relationship(lazy="joined", innerjoin=True)
    same_as: Mapped[UnitRow | None] = relationship(remote_side="UnitRow.id", foreign_keys=[same_as_id])
    first: Mapped[UnitRow | None] = relationship(remote_side="UnitRow.id", foreign_keys=[first_id])


class UnitAssignmentRow(Covered, Base):
    """The event that says of which unit an object is, whose own hash names the unit by its name only."""

    __tablename__ = "unit_assignment"

    sequence: Mapped[Key]
    object_sha256: Mapped[Digest] = mapped_column(index=True)
    identity: Mapped[Digest] = mapped_column(index=True)


class UnitUnionRow(Covered, Base):
    """The event that two units are one, or (``takes_back``) that such an event was taken back.

    ``identity`` is the smaller of the two. ``parent_sha256`` is the record hash of the event that this one
    follows, as with voids.
    """

    __tablename__ = "unit_union"

    sequence: Mapped[Key]
    identity: Mapped[Digest]
    other: Mapped[Digest]
    reason: Mapped[Prose]
    parent_sha256: Mapped[Digest | None]
    takes_back: Mapped[bool | None]


class OperatorRow(Covered, Base):
    __tablename__ = "operator"

    id: Mapped[Key]
    name: Mapped[UniqueName]
    note: Mapped[Prose]


class BudgetRow(Covered, Base):
    __tablename__ = "budget"

    id: Mapped[Key]
    name: Mapped[UniqueName]
    core: Mapped[Prose]
    multiplier_cycles: Mapped[int]
    flash_bytes: Mapped[int]
    ram_bytes: Mapped[int]
    stack_bytes: Mapped[int]
    cycles: Mapped[int]
    wait_states: Mapped[int]
    clock_hz: Mapped[int]
    frame_period_ms: Mapped[int]
    note: Mapped[Prose]


class LimitsRow(Covered, Base):
    __tablename__ = "limits"
    __table_args__ = (UniqueConstraint("name", "revision"),)

    id: Mapped[Key]
    name: Mapped[Name]
    revision: Mapped[int]
    note: Mapped[Prose]
    signer: Mapped[Prose | None]
    rows: Mapped[list[LimitRow]] = relationship(
        back_populates="limits", order_by="LimitRow.position", lazy="selectin"
    )


class LimitRow(Base):
    __tablename__ = "limit_row"

    limits_id: Mapped[int] = mapped_column(ForeignKey("limits.id", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    metric: Mapped[Prose]
    bound: Mapped[Real]
    condition: Mapped[Prose]
    confidence: Mapped[Real | None]
    min_groups: Mapped[int]
    or_mm: Mapped[Real | None]
    limits: Mapped[LimitsRow] = relationship(back_populates="rows")


class MappingRow(Covered, Base):
    """A saved column mapping; ``body`` is its canonical JSON."""

    __tablename__ = "mapping"

    id: Mapped[Key]
    name: Mapped[UniqueName]
    body: Mapped[Prose]


class RetirementRow(Covered, Base):
    """The event that something of the registry was retired, or (``takes_back``) that one such event was taken
    back.

    ``object_sha256`` is the hash of the record's document, which is the same in every store; ``name`` is what
    it was called. ``parent_sha256`` is as of ``void_event``.
    """

    __tablename__ = "retirement_event"

    sequence: Mapped[Key]
    kind: Mapped[str] = mapped_column(words(20))
    name: Mapped[Name]
    object_sha256: Mapped[Digest] = mapped_column(index=True)
    reason: Mapped[Prose]
    parent_sha256: Mapped[Digest | None]
    takes_back: Mapped[bool | None]
