"""The tables of the store. ORM objects stay inside ``dataset``; frozen records cross its border.

Every change here needs a revision in ``migrations/versions``; a test compares the two. What a record always
holds is loaded with its row (``selectin``: one query for all rows); frame blocks never are.
"""

from __future__ import annotations

from typing import Annotated

from sqlalchemy import Enum, Float, ForeignKey, Index, LargeBinary, MetaData, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from dataset.records import CountLaw, GroupBy, PadRole, Role

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


def _by_value(kind: type[CountLaw] | type[GroupBy] | type[PadRole] | type[Role]) -> Enum:
    """A text column that holds an enum's value, not its name: the value is what files and hashes show."""
    return Enum(
        kind,
        values_callable=lambda members: [m.value for m in members],
        native_enum=False,
        length=20,
        validate_strings=True,
    )


Key = Annotated[int, mapped_column(primary_key=True)]
Name = Annotated[str, mapped_column(String(60))]
UniqueName = Annotated[str, mapped_column(String(60), unique=True)]
Prose = Annotated[str, mapped_column(Text)]
Real = Annotated[float, mapped_column(Float)]
Digest = Annotated[str, mapped_column(String(64))]
Bytes = Annotated[bytes, mapped_column(LargeBinary)]


class Base(DeclarativeBase):
    """Base of every table."""

    metadata = MetaData(naming_convention=NAMING)


class Covered:
    """A row with the hash of its record (see ``dataset.store.proof``).

    ``hashed_by_upgrade`` says that the hash was made when the store was upgraded to hold hashes: it proves
    only what stood there then.
    """

    __tablename__: str
    record_sha256: Mapped[str | None] = mapped_column(String(64), sort_order=98)
    hashed_by_upgrade: Mapped[bool | None] = mapped_column(sort_order=99)


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
    count_law: Mapped[CountLaw] = mapped_column(_by_value(CountLaw))
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
    role: Mapped[PadRole] = mapped_column(_by_value(PadRole))
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
    identity: Mapped[str] = mapped_column(String(32), unique=True)
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


class InstrumentRow(Covered, Base):
    """An instrument as one calibration found it; ``bench`` is the identity of the bench that it is of."""

    __tablename__ = "instrument"
    __table_args__ = (UniqueConstraint("bench", "name", "calibrated"),)

    id: Mapped[Key]
    name: Mapped[Name]
    kind: Mapped[str] = mapped_column(String(20))
    calibrated: Mapped[str] = mapped_column(String(10))
    uncertainty: Mapped[Real]
    coverage: Mapped[Real]
    resolution: Mapped[Real]
    interval_days: Mapped[int | None]
    serial: Mapped[Prose]
    certificate: Mapped[Prose]
    note: Mapped[Prose]
    bench: Mapped[str] = mapped_column(String(32))
    sha256: Mapped[Digest] = mapped_column(unique=True)  # the name of its document, by which sessions name it


class CheckStandardRow(Covered, Base):
    __tablename__ = "check_standard"
    __table_args__ = (UniqueConstraint("bench", "name"),)

    id: Mapped[Key]
    name: Mapped[Name]
    kind: Mapped[str] = mapped_column(String(20))
    sensor_id: Mapped[int] = mapped_column(ForeignKey("sensor.id"))
    note: Mapped[Prose]
    bench: Mapped[str] = mapped_column(String(32))
    sensor: Mapped[SensorRow] = relationship(lazy="selectin")
    measurements: Mapped[list[CheckMeasurementRow]] = relationship(
        back_populates="standard", order_by="CheckMeasurementRow.date, CheckMeasurementRow.record_sha256"
    )


class CheckMeasurementRow(Covered, Base):
    """What a check standard measured on a day; ``counts`` are a mean for each channel, as JSON."""

    __tablename__ = "check_measurement"

    sequence: Mapped[Key]
    standard_id: Mapped[int] = mapped_column(ForeignKey("check_standard.id"), index=True)
    date: Mapped[str] = mapped_column(String(10))
    counts: Mapped[Prose]
    temperature_c: Mapped[Real | None]
    frames: Mapped[int]
    operator: Mapped[str | None] = mapped_column(String(60))
    note: Mapped[Prose]
    standard: Mapped[CheckStandardRow] = relationship(back_populates="measurements")


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
    operator: Mapped[str | None] = mapped_column(String(60))
    bench: Mapped[str | None] = mapped_column(String(32))
    started: Mapped[str | None] = mapped_column(String(40))
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
    """A few thousand consecutive frames, each column packed by ``dataset.store.blocks`` in its format
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
    """What a check at the door found when the session was logged, without refusing it."""

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


class RetirementRow(Covered, Base):
    """The event that something of the registry was retired, or (``takes_back``) that one such event was taken
    back.

    ``object_sha256`` is the hash of the record's document, which is the same in every store; ``name`` is what
    it was called. ``parent_sha256`` is as of ``void_event``.
    """

    __tablename__ = "retirement_event"

    sequence: Mapped[Key]
    kind: Mapped[str] = mapped_column(String(20))
    name: Mapped[Name]
    object_sha256: Mapped[Digest] = mapped_column(index=True)
    reason: Mapped[Prose]
    parent_sha256: Mapped[Digest | None]
    takes_back: Mapped[bool | None]


class StatusRow(Covered, Base):
    """The event that somebody said what a model is: a candidate, or retired.

    ``parents`` are, as JSON, the record hashes of the model's events that no other followed when this one was
    made.
    """

    __tablename__ = "status_event"

    sequence: Mapped[Key]
    model_id: Mapped[int] = mapped_column(ForeignKey("model.id"), index=True)
    status: Mapped[str] = mapped_column(String(20))
    author: Mapped[Prose]
    reason: Mapped[Prose]
    parents: Mapped[Prose]
    model: Mapped[ModelRow] = relationship(back_populates="statuses")


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
    kind: Mapped[str] = mapped_column(String(20))
    stage: Mapped[Prose]
    date: Mapped[str] = mapped_column(String(10))
    temperature_c: Mapped[Real | None]
    body: Mapped[Prose]
    note: Mapped[Prose]
    unit: Mapped[UnitRow] = relationship()
    mounting: Mapped[MountingRow] = relationship()
    session: Mapped[SessionRow | None] = relationship()


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
    group_by: Mapped[GroupBy] = mapped_column(_by_value(GroupBy))
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
    group_name: Mapped[str] = mapped_column(String(80), primary_key=True)
    role: Mapped[Role] = mapped_column(_by_value(Role))
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
    parent: Mapped[str | None] = mapped_column(String(60))
    date: Mapped[str | None] = mapped_column(String(10))
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
    name: Mapped[str] = mapped_column(String(255), primary_key=True)
    sha256: Mapped[Digest] = mapped_column(index=True)
    export: Mapped[ExportRow] = relationship(back_populates="files")
