"""What models are made of and held to: budgets, limits, frozen sets, models and the files of an export."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dataset.records.bench import Trim
from dataset.records.captures import Conditions, Frames, Session
from dataset.words import GroupBy, ModelStatus, Role, TrimKind

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


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
class FrozenSet:
    """An immutable, hashed choice of sessions, each group with its role, and the trims that their units had
    when it was frozen. Its units have the names that the set gives them, the same in every store.
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
    even_if_warned: str | None = None  # why sessions that were warned of gravely are in it
    named_by_content: bool = False  # its hash covers the group of each session too

    @property
    def origin(self) -> str:
        """Where the readings are from: 'measured', 'simulated' or 'partly simulated'."""
        kinds = {session.simulated for session in self.sessions}
        return "partly simulated" if len(kinds) > 1 else "simulated" if True in kinds else "measured"

    @property
    def uneven_spans_mm(self) -> dict[str, float]:
        """The span of each of its tanks, mm, by ``name@revision``, where they differ; else empty. A model of
        the set has the greatest one.
        """
        tanks = sorted({s.mounting.tank for s in self.sessions}, key=lambda tank: (tank.name, tank.revision))
        spans = {tank.ref: tank.span_mm for tank in tanks}
        return spans if len(set(spans.values())) > 1 else {}

    def groups(self, role: Role) -> tuple[str, ...]:
        return tuple(group for group, held in self.roles if held is role)

    def trims_of(self, session: Session) -> tuple[Trim, ...]:
        """The trims of a session's unit on its mounting."""
        return tuple(
            trim
            for trim in self.trims
            if trim.unit.name == session.unit.name and trim.mounting.name == session.mounting.name
        )


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
        one day's, one that was taken from an amended session, then that of the greater hash.
        """
        trims = [t for t in self.frozen.trims_of(self.frozen.sessions[session]) if t.kind is kind]
        return max(trims, key=lambda t: (t.date, t.amendment is not None, t.sha256), default=None)

    def rows(self, role: Role) -> NDArray[np.bool_]:
        """Which rows belong to groups of ``role``."""
        import numpy as np  # here, so that the words of this module stay light for the command line

        mine = np.asarray([held is role for _, held in self.frozen.roles], dtype=np.bool_)
        return np.asarray(mine[self.group], dtype=np.bool_)


@dataclass(frozen=True)
class Model:
    """A trained model as the store keeps it: no pickles; texts are canonical JSON.

    ``sha256`` is the program's digest. ``metrics``, ``recipe`` and ``versions`` are JSON objects. ``parent``
    is the name of the model that it was retrained from. ``date`` (ISO 8601) is when it was trained; no hash
    of its content covers that.
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
    date: str | None = None

    @property
    def seed(self) -> int | None:
        """The seed of its training, as the recipe has it."""
        seed = json.loads(self.recipe).get("seed")
        return seed if isinstance(seed, int) else None


@dataclass(frozen=True)
class StatusEvent:
    """Somebody said what a model is, and why; ``parents`` are what was said before that no other followed."""

    sha256: str
    parents: tuple[str, ...]
    status: ModelStatus
    author: str
    reason: str


@dataclass(frozen=True)
class BoardMeasurement:
    """What a board measured while it gave every expected number of a bundle's vectors; ``model`` is a name.

    ``board`` is what its user calls it; ``firmware`` (a name), ``compiler`` and ``built`` ('size', 'speed' or
    '') are its firmware's own words, ``clock_hz`` is 0 where that does not say. None: not measured.
    ``cycles`` and ``cycles_mean`` are of step, ``stack_bytes`` of step and prepare.
    """

    model: str
    bundle_sha256: str
    board: str
    firmware: str
    compiler: str
    built: str
    clock_hz: int
    vectors: int
    cycles: int | None
    cycles_mean: float | None
    prepare_cycles: int | None
    stack_bytes: int | None


@dataclass(frozen=True)
class ExportedFile:
    """A file that an export wrote, by hash, and the model it came from."""

    sha256: str
    name: str
    bundle_sha256: str
    model: Model
