"""What crosses the borders of the store: frozen records and arrays. ORM objects never leave ``dataset``.

Lengths are millimetres, times milliseconds, temperatures degrees Celsius, volumes millilitres, frequencies
hertz. A record with revisions is named ``name`` (its latest revision) or ``name@2`` (a certain one).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from dataset.words import (
    CORES,
    METRICS,
    CountLaw,
    Coupling,
    Flow,
    GroupBy,
    LevelUnit,
    PadRole,
    Role,
    Surface,
    TimeUnit,
    TrimKind,
    Wall,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# the words of the records can be had from here too
__all__ = [
    "CORES",
    "METRICS",
    "CountLaw",
    "Coupling",
    "Flow",
    "GroupBy",
    "LevelUnit",
    "PadRole",
    "Role",
    "Surface",
    "TimeUnit",
    "TrimKind",
    "Wall",
]


@dataclass(frozen=True)
class Tank:
    """One frozen shape of a vessel. ``span_mm`` is the usable height above the datum, ``headspace_mm`` what
    is left above that.

    ``profile`` is canonical JSON, read by ``dataset.tanks.profile.profile_of``. The vessel grows by
    ``expansion_per_k`` of its lengths for each kelvin above ``reference_c``, at which the profile holds.
    """

    name: str
    revision: int
    span_mm: float
    wall_material: str = ""
    wall_mm: float | None = None
    dead_volume_ml: float | None = None
    inlet_mm: float | None = None
    note: str = ""
    profile: str | None = None
    headspace_mm: float | None = None
    expansion_per_k: float | None = None
    reference_c: float | None = None

    @property
    def ref(self) -> str:
        """``name@revision``."""
        return f"{self.name}@{self.revision}"


@dataclass(frozen=True)
class Liquid:
    """Relative permittivity, conductivity in S/m and density in kg/m3 at ``temperature_c``; None where
    unknown.

    ``model`` names functions of temperature that stand in for permittivity and density (see
    ``dataset.labels.liquids``); ``source`` says where the values are from.
    """

    name: str
    permittivity: float | None = None
    conductivity: float | None = None
    density: float | None = None
    temperature_c: float | None = None
    note: str = ""
    model: str | None = None
    source: str | None = None


@dataclass(frozen=True)
class Pad:
    """One pad on one channel; heights in the sensor's own coordinate, upwards.

    A pad that is read at several frequencies stands there once for each, under one name and with one
    geometry.
    """

    channel: int
    name: str
    bottom_mm: float
    height_mm: float
    width_mm: float | None = None
    frequency_hz: float | None = None
    role: PadRole = PadRole.LEVEL


def hertz(frequency_hz: float | None) -> str:
    """A frequency as people write it: 250Hz, 100kHz, 1.5MHz."""
    if frequency_hz is None:
        return "-"
    step, unit = (1e6, "MHz") if frequency_hz >= 1e6 else (1e3, "kHz") if frequency_hz >= 1e3 else (1.0, "Hz")
    return f"{frequency_hz / step:.12g}{unit}"


@dataclass(frozen=True)
class Sensor:
    """A sensor revision: pads in channel order, count width and law, frame period with tolerance."""

    name: str
    revision: int
    pads: tuple[Pad, ...]
    count_bits: int
    count_law: CountLaw
    period_ms: int
    period_tolerance_pct: int = 10
    note: str = ""

    @property
    def ref(self) -> str:
        """``name@revision``."""
        return f"{self.name}@{self.revision}"

    @property
    def channels(self) -> int:
        return len(self.pads)

    @property
    def channel_names(self) -> tuple[str, ...]:
        """A name for each channel: the pad's, with the frequency (``low@100kHz``) where the pad is read at
        several.
        """
        names = [p.name for p in self.pads]
        return tuple(
            p.name if names.count(p.name) == 1 else f"{p.name}@{hertz(p.frequency_hz)}" for p in self.pads
        )


@dataclass(frozen=True)
class Mounting:
    """A sensor revision on a tank revision, the sensor's zero ``offset_mm`` above the tank's datum."""

    name: str
    tank: Tank
    sensor: Sensor
    offset_mm: float = 0.0
    offset_tolerance_mm: float = 0.0
    note: str = ""


@dataclass(frozen=True)
class Unit:
    """One physical sample: board, adhesive and tank."""

    name: str
    note: str = ""


@dataclass(frozen=True)
class Trim:
    """A unit's own stored counts, one a channel, as taken on ``date`` (ISO 8601) at a ``stage`` of its life.

    From a session: its hash, the frames ``start`` to ``stop``, and of each channel how many counts were
    refused as outliers and the robust standard deviation of the others. ``level_mm`` is that of a partial
    fill. Of a surrogate block, ``transfer`` is for each channel how much of the step from dry to full liquid
    the block makes, and ``transfer_spread`` its standard deviation from part to part. ``sha256`` is the hash
    of all that; '' before the store took it.
    """

    unit: Unit
    mounting: Mounting
    kind: TrimKind
    counts: tuple[int, ...]
    date: str
    stage: str
    temperature_c: float | None = None
    session: str | None = None
    frames: tuple[int, int] | None = None
    refused: tuple[int, ...] = ()
    spread: tuple[float, ...] = ()
    level_mm: float | None = None
    transfer: tuple[float, ...] = ()
    transfer_spread: tuple[float, ...] = ()
    note: str = ""
    sha256: str = ""


@dataclass(frozen=True)
class TrimLimits:
    """The counts that a unit's trim must lie within, channel by channel, both ends included; a program
    declares the same range.

    Each channel's limits are its mean and standard deviation over ``units`` units, widened by ``factor`` so
    that with ``confidence`` they hold ``coverage`` of all units, if those are normally distributed.
    """

    mounting: Mounting
    kind: TrimKind
    low: tuple[int, ...]
    high: tuple[int, ...]
    mean: tuple[float, ...]
    sd: tuple[float, ...]
    units: tuple[str, ...]
    coverage: float
    confidence: float
    factor: float


@dataclass(frozen=True)
class Budget:
    """What the firmware team left for the model. ``cycles`` is per frame; sizes are bytes."""

    name: str
    core: str
    multiplier_cycles: int
    flash_bytes: int
    ram_bytes: int
    stack_bytes: int
    cycles: int
    wait_states: int = 0
    clock_hz: int = 0
    frame_period_ms: int = 0
    note: str = ""


@dataclass(frozen=True)
class Limit:
    """One row of the limits: ``metric`` under ``condition`` must stay at or below ``bound``, shown on
    ``min_groups`` groups.

    ``or_mm``, for a percentage of the span: the bound is the larger of that percentage and so many
    millimetres.
    """

    metric: str
    bound: float
    condition: str = "all"
    confidence: float | None = None
    min_groups: int = 1
    or_mm: float | None = None


@dataclass(frozen=True)
class Limits:
    """A named, versioned list of limits that a product owner signs; ``signer`` is None while nobody has."""

    name: str
    revision: int
    rows: tuple[Limit, ...]
    note: str = ""
    signer: str | None = None

    @property
    def ref(self) -> str:
        """``name@revision``."""
        return f"{self.name}@{self.revision}"


@dataclass(frozen=True)
class Mark:
    """Frames ``start`` (included) to ``stop`` (excluded) lie at ``level_mm``, standard uncertainty ``u_mm``.

    ``u_common_mm`` is the part of the standard uncertainty that is one and the same error in all marks of a
    session (the tank's dimension, say), kept apart from ``u_mm``, which is independent from mark to mark.
    With ``level_stop_mm`` the mark is a piece
    of a ramp: ``level_mm`` at its first frame, ``level_stop_mm`` at its last, linear in time between.
    ``method`` says where the level came from; None is a level column.
    """

    start: int
    stop: int
    level_mm: float
    u_mm: float | None = None
    u_common_mm: float | None = None
    level_stop_mm: float | None = None
    method: str | None = None


@dataclass(frozen=True)
class Conditions:
    """Under which conditions frames were captured, axis by axis; an axis that was not stated is empty or
    None.

    Axes are independent: foam over liquid over film is ``surface=(FOAM,)`` with ``wall=(FILM,)``. ``foam_mm``
    is bottom and top of the foam above the datum. ``tilt_deg`` is the tilt about the tank's x and y axes, in
    degrees.
    """

    surface: tuple[Surface, ...] = ()
    foam_mm: tuple[float, float] | None = None
    wall: tuple[Wall, ...] = ()
    tilt_deg: tuple[float, float] | None = None
    flow: Flow | None = None
    coupling: Coupling | None = None
    appliance: str = ""


@dataclass(frozen=True)
class Stretch:
    """Frames ``start`` (included) to ``stop`` (excluded) were captured under ``conditions``."""

    start: int
    stop: int
    conditions: Conditions


@dataclass(frozen=True)
class Frames:
    """Consecutive frames of one session.

    ``t_ms`` int64 (n,), ``counts`` uint32 (n, channels), ``temperature_c`` float64 (n,) with NaN where not
    measured, or None.
    """

    t_ms: NDArray[np.int64]
    counts: NDArray[np.uint32]
    temperature_c: NDArray[np.float64] | None = None

    def __len__(self) -> int:
        return len(self.t_ms)


@dataclass(frozen=True)
class Source:
    """Where a session's readings came from: file name (no folders) and SHA-256 of its bytes."""

    file: str
    sha256: str


@dataclass(frozen=True)
class DoorWarning:
    """What a check at the door found without refusing the session: the check's name, and a sentence for
    whoever has to act on it.
    """

    check: str
    sentence: str


@dataclass(frozen=True)
class Session:
    """A sealed capture session, without its frames. ``id`` is the start of ``sha256``, the hash of its
    canonical content.

    ``marks`` are those of the newest revision, or of the one that a frozen set pins. ``mark_revision`` is
    that revision's hash; None means the marks are as sealed. ``sealed_marks`` are those that the session was
    sealed with, where they are others.
    """

    id: str
    sha256: str
    unit: Unit
    liquid: Liquid
    mounting: Mounting
    frames: int
    marks: tuple[Mark, ...]
    source: Source
    note: str = ""
    void_reason: str | None = None
    stretches: tuple[Stretch, ...] = ()
    mark_revision: str | None = None
    sealed_marks: tuple[Mark, ...] | None = None
    warnings: tuple[DoorWarning, ...] = ()  # not part of the hash: a later version may look more closely
    simulated: bool = False  # made by the virtual rig, not measured


class Amendment(NamedTuple):
    """A revision of a session's marks and the one that it amends (None: the sealed marks), by
    their hashes.
    """

    sha256: str
    parent_sha256: str | None


def newest_amendment(amendments: Iterable[Amendment]) -> str:
    """The hash at the end of the longest chain of amendments, and of two that are as long, the greater hash.

    Each comes before those that amend it. Merged stores hold concurrent amendments in different orders; the
    answer must be the same in both.
    """
    length: dict[str, int] = {}
    for sha256, parent in amendments:
        length[sha256] = length.get(parent or "", 0) + 1
    return max(length, key=lambda sha256: (length[sha256], sha256))


@dataclass(frozen=True)
class MarkRevision:
    """A later revision of a session's marks: who amended, why, and which revision (None: the marks as
    sealed).
    """

    sha256: str
    session: str  # the session's hash
    parent: str | None
    author: str
    reason: str
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class ColumnMapping:
    """Which columns of a delimited text file hold what, under a name to use it again.

    The label of a frame is its ``level``, or follows from a ``mass`` in grams or from a volume ``poured`` in
    so far, in mL: one of them. ``counts`` are column names in channel order. Without ``time`` the frames are
    one declared period apart. ``delimiter`` None
    means: find out. Without ``header`` the columns are named '1', '2', ... from the left.
    """

    name: str
    counts: tuple[str, ...]
    time: str | None = None
    time_unit: TimeUnit = TimeUnit.MILLISECONDS
    level: str | None = None
    level_unit: LevelUnit = LevelUnit.MILLIMETRES
    level_u_mm: float | None = None
    temperature: str | None = None
    delimiter: str | None = None
    header: bool = True
    mass: str | None = None
    poured: str | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column that is used: counts first."""
        optional = (self.time, self.level, self.mass, self.poured, self.temperature)
        return (*self.counts, *(column for column in optional if column is not None))


@dataclass(frozen=True)
class NewSession:
    """A capture session on its way into the store; unit, liquid and mounting are records that
    the store has.
    """

    unit: Unit
    liquid: Liquid
    mounting: Mounting
    frames: Frames
    marks: tuple[Mark, ...]
    source: Source
    note: str = ""
    stretches: tuple[Stretch, ...] = ()
    warnings: tuple[DoorWarning, ...] = ()  # found on the way in; the store adds its own checks'
    simulated: bool = False  # made by the virtual rig, not measured


@dataclass(frozen=True)
class FrozenSet:
    """An immutable, hashed choice of sessions, each group with its role, and the trims that their units had
    when it was frozen.
    """

    name: str
    sha256: str
    group_by: GroupBy
    roles: tuple[tuple[str, Role], ...]  # (group, role), sorted by group
    sessions: tuple[Session, ...]
    seed: int | None = None
    trims: tuple[Trim, ...] = ()  # in the order of their hashes
    edges_c: tuple[
        float, ...
        # of the temperature bands that are its groups, rising; empty where it is grouped by something else
    ] = ()

    @property
    def origin(self) -> str:
        """Where the readings are from: 'measured', 'simulated' or 'partly simulated'."""
        kinds = {session.simulated for session in self.sessions}
        return "partly simulated" if len(kinds) > 1 else "simulated" if True in kinds else "measured"

    def groups(self, role: Role) -> tuple[str, ...]:
        return tuple(group for group, held in self.roles if held is role)


@dataclass(frozen=True)
class FrozenData:
    """The labelled frames of a frozen set, row by row, in session and time order.

    Shapes: ``counts`` int64 (n, channels), ``t_ms`` int64 (n,), ``level_mm`` float64 (n,), ``u_mm`` float64
        (n,) the whole
    standard uncertainty of the level, common part included, NaN where unknown, ``temperature_c`` float64 (n,)
    NaN where unknown, ``session`` int64 (n,) index into ``frozen.sessions``, ``group`` int64 (n,) index into
    ``frozen.roles``, ``frame`` int64 (n,) the row's place in its session, ``condition`` int64 (n,) index into
    ``conditions`` (where nothing is stated: ``Conditions()``). ``frames`` are all frames of each session,
    unlabelled ones too, in the order of ``frozen.sessions``.
    """

    frozen: FrozenSet
    counts: NDArray[np.int64]
    t_ms: NDArray[np.int64]
    level_mm: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    session: NDArray[np.int64]
    group: NDArray[np.int64]
    frame: NDArray[np.int64]
    condition: NDArray[np.int64]
    conditions: tuple[Conditions, ...]
    frames: tuple[Frames, ...]

    def trim(self, session: int, kind: TrimKind) -> Trim | None:
        """The newest trim of that kind of a session's unit on its mounting, of those that the set pins; of
        one day's, that of the greater hash.
        """
        captured = self.frozen.sessions[session]
        trims = [
            t
            for t in self.frozen.trims
            if t.kind is kind
            and t.unit.name == captured.unit.name
            and t.mounting.name == captured.mounting.name
        ]
        return max(trims, key=lambda t: (t.date, t.sha256), default=None)

    def rows(self, role: Role) -> NDArray[np.bool_]:
        """Which rows belong to groups of ``role``."""
        import numpy as np  # here, so that the words of this module stay light for the command line

        mine = np.asarray([held is role for _, held in self.frozen.roles], dtype=np.bool_)
        return np.asarray(mine[self.group], dtype=np.bool_)


@dataclass(frozen=True)
class Model:
    """A trained model as the store keeps it: no pickles; texts are canonical JSON.

    ``sha256`` is the program's digest. ``metrics``, ``recipe`` and ``versions`` are JSON objects. ``parent``
    is the name of the model that it was retrained from.
    """

    name: str
    sha256: str
    frozen: FrozenSet
    limits: Limits | None
    recipe: str
    versions: str
    metrics: str
    program: str
    float_onnx: bytes
    parent: str | None = None

    @property
    def seed(self) -> int | None:
        """The seed of its training, as the recipe has it."""
        seed = json.loads(self.recipe).get("seed")
        return seed if isinstance(seed, int) else None


@dataclass(frozen=True)
class ExportedFile:
    """A file that an export wrote, by hash, and the model it came from."""

    sha256: str
    name: str
    bundle_sha256: str
    model: Model
