"""What readings are taken on: tanks, liquids, sensors, mountings, units and their trims."""

from __future__ import annotations

from dataclasses import dataclass, field

from dataset.words import CountLaw, InstrumentKind, PadRole, StandardKind, TrimKind


@dataclass(frozen=True)
class Tank:
    """One frozen shape of a tank. ``span_mm`` is the usable height above the datum, ``headspace_mm`` what
    is left above that.

    ``profile`` is canonical JSON, read by ``dataset.tanks.profile.profile_of``. The tank grows by
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
    """A sensor revision: pads in channel order, count width and law, frame period with tolerance.

    A count is kept as a whole number of steps, of which ``count_scale`` make one: 1 where the board counts,
    100 where it sends averaged or converted values with two decimals (22.82 pF is 2282 steps). Width and law
    are those of the steps, and so is every count that was taken in.
    """

    name: str
    revision: int
    pads: tuple[Pad, ...]
    count_bits: int
    count_law: CountLaw
    period_ms: int
    period_tolerance_pct: int = 10
    note: str = ""
    count_scale: int = 1

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
class Operator:
    """Somebody who captures: a short code, which stands with sessions; ``note`` says who that is, where that
    may be said.
    """

    name: str
    note: str = ""


@dataclass(frozen=True)
class Bench:
    """Where units are registered first. ``identity`` is 32 hexadecimal digits, ``own`` says that it is this
    store's.
    """

    identity: str
    name: str
    note: str = ""
    own: bool = False


@dataclass(frozen=True)
class Instrument:
    """A measuring instrument as one calibration found it; a later calibration is another record of its name.

    ``uncertainty`` is in the unit of its kind, as the certificate states it: expanded by the factor
    ``coverage``, or a standard uncertainty where that is 1. ``resolution`` is the step of its display.
    ``calibrated`` is a date (ISO 8601), after which the calibration holds for ``interval_days``; None: for
    as long as nobody says. ``bench`` is the identity of the bench that it is of, '' before a store has it.
    """

    name: str
    kind: InstrumentKind
    calibrated: str
    uncertainty: float
    coverage: float = 1.0
    resolution: float = 0.0
    interval_days: int | None = None
    serial: str = ""
    certificate: str = ""
    note: str = ""
    bench: str = ""

    @property
    def standard_uncertainty(self) -> float:
        """GUM 4.3.3: the stated uncertainty over its coverage factor."""
        return self.uncertainty / self.coverage


@dataclass(frozen=True)
class CheckStandard:
    """Something that never changes, measured each bench day with sensors of one revision on one bench.

    ``bench`` is the identity of its bench, '' before a store has it.
    """

    name: str
    kind: StandardKind
    sensor: Sensor
    note: str = ""
    bench: str = ""


@dataclass(frozen=True)
class CheckMeasurement:
    """What a check standard measured on ``date`` (ISO 8601): the mean counts of each channel, in steps, over
    ``frames`` frames.
    """

    standard: CheckStandard
    date: str
    counts: tuple[float, ...]
    temperature_c: float | None = None
    frames: int = 1
    operator: str | None = None
    note: str = ""


@dataclass(frozen=True)
class Unit:
    """One physical sample: board, adhesive and tank.

    Its identity is its bench of origin with its ``serial``, or with the name that the bench gave it where it
    has none; ``name`` is what this store calls it, ``name@bench`` where another unit has that name here.
    ``bench`` is an identity, '' before a store has the unit; ``given_name`` is what its bench calls it, where
    that does not follow from ``name``. Two records of one store differ in their names already.
    """

    name: str
    note: str = ""
    serial: str | None = None
    bench: str = field(default="", compare=False)
    given_name: str = field(default="", compare=False)

    @property
    def key(self) -> tuple[str, str]:
        """What tells units apart, whatever a store or a frozen set calls them."""
        return self.bench, self.origin_name if self.serial is None else f"serial {self.serial}"

    @property
    def origin_name(self) -> str:
        """The name that its bench of origin gave it."""
        return self.given_name or self.name.partition("@")[0]


@dataclass(frozen=True)
class UnitUnion:
    """That a unit was said to be one with another, or (``takes_back``) that this was taken back: what the
    other is called, its serial, and why. A serial that a unit got later is said by such an event, with a unit
    that has nothing but that serial.
    """

    other: str
    serial: str | None
    reason: str
    takes_back: bool


@dataclass(frozen=True)
class Trim:
    """A unit's own stored counts, one a channel, as taken on ``date`` (ISO 8601) at a ``stage`` of its life.

    From a session: its hash, the frames ``start`` to ``stop``, and of each channel how many counts were
    refused as outliers and the robust standard deviation of the others. ``level_mm`` is that of a partial
    fill. Of a surrogate block, ``transfer`` is for each channel how much of the step from dry to full liquid
    the block makes, and ``transfer_spread`` its standard deviation from part to part. ``dry_because`` says
    how somebody knows that a trim is dry which may look wet. ``amendment`` is the hash of the amendment by
    which its session was read when it was taken; None: as sealed. ``sha256`` is the hash of all that;
    '' before the store took it.
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
    dry_because: str = ""
    sealed_unit: Unit | None = field(default=None, compare=False)  # by which its hash names it, if by another
    amendment: str | None = None


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
