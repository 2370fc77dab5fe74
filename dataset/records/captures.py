"""What was captured: frames, their marks and conditions, sessions, and how a file of them is read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple, Protocol

from dataset.records.bench import Liquid, Mounting, Unit
from dataset.words import Coupling, Flow, LevelUnit, Surface, TimeUnit, Wall

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

ID_DIGITS = 12  # of a hash, in a session's id and wherever a hash is shown


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


class Recording(Protocol):
    """Frames of one session however they are held: as arrays (:class:`Frames`), or packed where they are too
    many for that (:class:`dataset.long_frames.LongFrames`), which then unpack whatever is asked for.
    """

    def __len__(self) -> int: ...
    @property
    def t_ms(self) -> NDArray[np.int64]: ...
    @property
    def counts(self) -> NDArray[np.uint32]: ...
    @property
    def temperature_c(self) -> NDArray[np.float64] | None: ...


@dataclass(frozen=True)
class Source:
    """Where a session's readings came from: file name (no folders) and SHA-256 of its bytes."""

    file: str
    sha256: str


@dataclass(frozen=True)
class DoorWarning:
    """What an import check found without refusing the session: the check's name, and a sentence for
    whoever has to act on it.
    """

    check: str
    sentence: str


@dataclass(frozen=True)
class Occasion:
    """Who captured a session, on which bench, when it began and with which firmware on the board; None is not
    stated.

    ``operator`` is the code of an :class:`Operator` of the store, ``bench`` a bench's identity, ``started``
    an instant as :func:`dataset.values.instant` writes it, ``firmware`` the revision that the board's maker
    gives.
    """

    operator: str | None = None
    bench: str | None = None
    started: str | None = None
    firmware: str | None = None


UNSTATED = Occasion()


@dataclass(frozen=True)
class TagEvent:
    """A session was tagged, or (``removes``) the tag that the event of hash ``parent`` gave it was removed;
    ``author`` None is not stated.
    """

    sha256: str
    parent: str | None
    tag: str
    removes: bool
    author: str | None = None


@dataclass(frozen=True)
class Session:
    """A sealed capture session, without its frames. ``id`` is the start of ``sha256``, the hash of its
    canonical content.

    ``marks`` are those of the newest revision, or of the one that a frozen set pins. ``mark_revision`` is
    that revision's hash; None means the marks are as sealed. ``sealed_marks`` are those that the session was
    sealed with, where they are others.

    Unit, liquid, mounting and stretches are as stated now: by the amendment in use, or by the one that a
    frozen set pins. ``amendment`` is that one's hash; None means that they are as sealed. ``as_sealed`` is
    the session as it was sealed, where it is amended. ``amended_apart`` are amendments that no other follows,
    where there are several of them: which of them is right is open.
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
    occasion: Occasion = UNSTATED
    tags: tuple[str, ...] = ()  # not part of the hash: they come and go
    instruments: tuple[str, ...] = ()  # that its levels were measured with: names of calibrations' documents
    tank_group: str | None = field(default=None, compare=False)  # in a frozen set whose groups are tanks
    sealed_unit: Unit | None = field(default=None, compare=False)  # by which its hash names it, if by another
    amendment: str | None = None
    as_sealed: Session | None = None
    amended_apart: tuple[str, ...] = ()


@dataclass(frozen=True)
class Restatement:
    """What is stated of a whole session, beside its readings and marks; None: as it was sealed. The last four
    fields are those of its :class:`Occasion`.
    """

    unit: Unit | None = None
    liquid: Liquid | None = None
    mounting: Mounting | None = None
    stretches: tuple[Stretch, ...] | None = None
    operator: str | None = None
    bench: str | None = None
    started: str | None = None
    firmware: str | None = None

    @property
    def occasion(self) -> Occasion:
        """Who, where, when and with what."""
        return Occasion(self.operator, self.bench, self.started, self.firmware)


@dataclass(frozen=True)
class SessionAmendment:
    """What a sealed session says since: who amended it, why, and which amendments this one follows.

    ``parents`` are hashes; none: it follows the session as sealed, several: it unites amendments that were
    made beside one another. ``stated`` is everything in which the session now differs from what was sealed.
    ``warnings`` are what the import checks say of it as amended.
    """

    sha256: str
    session: str  # the session's hash
    parents: tuple[str, ...]
    author: str
    reason: str
    stated: Restatement
    warnings: tuple[DoorWarning, ...] = ()


@dataclass(frozen=True)
class VoidEvent:
    """A session was voided for a reason, or (``takes_back``) the void of hash ``parent`` was taken back.

    The ``parent`` of a void is the take-back after which it came; None where the session was never void
    before.
    """

    sha256: str
    parent: str | None
    reason: str
    takes_back: bool


@dataclass(frozen=True)
class RetirementEvent:
    """Something of the registry was retired for a reason, or (``takes_back``) the retirement of hash
    ``parent`` was taken back; parents as of :class:`VoidEvent`.
    """

    sha256: str
    parent: str | None
    reason: str
    takes_back: bool


@dataclass(frozen=True)
class NewSession:
    """A capture session on its way into the store; unit, liquid and mounting are records that
    the store has.
    """

    unit: Unit
    liquid: Liquid
    mounting: Mounting
    frames: Recording
    marks: tuple[Mark, ...]
    source: Source
    note: str = ""
    stretches: tuple[Stretch, ...] = ()
    warnings: tuple[DoorWarning, ...] = ()  # found on the way in; the store adds its own checks'
    simulated: bool = False  # made by the virtual rig, not measured
    occasion: Occasion = UNSTATED
    tags: tuple[str, ...] = ()
    instruments: tuple[str, ...] = ()


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
    one declared period apart. ``delimiter`` None means: find out. Without ``header`` the columns are named
    '1', '2', ... from the left. ``encoding`` None is UTF-8. Columns to ``ignore`` are left out on purpose,
    although they look like time, level or temperature.
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
    encoding: str | None = None
    ignore: tuple[str, ...] = ()

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column that is used: counts first."""
        optional = (self.time, self.level, self.mass, self.poured, self.temperature)
        return (*self.counts, *(column for column in optional if column is not None))
