"""What a model's metrics hold, as a record that is kept as JSON and read as any version wrote it. Light to
import.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Self

from dataset.words import LimitAnswer
from training.judging.figures import AnsweredLimit, Figures, FitRows, KeptCost, Prove, RandomRows, Score
from training.judging.kept import EMPTY, KEY, SPARSE, Kept
from training.search.study_figures import Ablation, Retraining

NEVER_RAISED = "never raised: too few pads to tell it from liquid"  # in a model's table of flags


@dataclass(frozen=True)
class ChooseScores(Kept):
    """Scores on the choose groups, of the integer program and of the float pipeline; None where there are
    none.
    """

    integer: Score | None = field(default=None, metadata={EMPTY: True})
    floats: Score | None = field(default=None, metadata={KEY: "float", EMPTY: True})


@dataclass(frozen=True, kw_only=True)
class CandidateRow(Kept):
    """What became of one recipe of a search.

    ``meets`` says whether it is within the limits, ``within_budget`` whether within the budget; None without
    them. ``error_mm`` is what candidates are compared by, None where nothing was accepted; ``refused``: why
    it can't be had in integers. ``sure``: the chance that the groups to prove keep the limits, None where too
    few groups tell. Of pad arrays only: by class the P95 in mm and the share accepted, and the
    watcher: its hidden layers, the features that it sees, and its patience.
    """

    family: str = ""
    size: int | str = ""
    bits: int | None = None
    meets: bool | None = None
    departure_mm: float | None = None
    error_mm: float | None = None
    choose: ChooseScores = ChooseScores()
    cost: KeptCost | None = None
    within_budget: bool | None = None
    sure: float | None = field(default=None, metadata=SPARSE)
    refused: str | None = field(default=None, metadata=SPARSE)
    classes: Mapping[str, tuple[float | None, ...]] | None = field(default=None, metadata=SPARSE)
    watcher: tuple[int, ...] | None = field(default=None, metadata=SPARSE)
    watched: tuple[str, ...] | None = field(default=None, metadata=SPARSE)
    patience: bool | None = field(default=None, metadata=SPARSE)

    @classmethod
    def from_json(cls, kept: object) -> Self | None:
        """As :meth:`Kept.from_json`; early versions compared candidates by their RMS error, kept no other."""
        row = super().from_json(kept)
        if row is None or row.choose.integer is None or (isinstance(kept, Mapping) and "error_mm" in kept):
            return row
        return replace(row, error_mm=row.choose.integer.rmse_mm)


@dataclass(frozen=True)
class AgainstNext(Kept):
    """By how much the chosen candidate errs more than the next, called ``name``, in mm: the mean over groups,
    paired, and its interval of 95 %.
    """

    name: str
    difference_mm: float
    low_mm: float
    high_mm: float
    groups: int


@dataclass(frozen=True)
class KeptBand(Kept):
    """Whether a band is given, and if not, why; else how many groups it was calibrated on, the share that it
    is for, in words too, its half widths in level units, and the factor that scales them.
    """

    given: bool
    reason: str | None = field(default=None, metadata=SPARSE)
    groups: int | None = field(default=None, metadata=SPARSE)
    share: float | None = field(default=None, metadata=SPARSE)
    meaning: str | None = field(default=None, metadata=SPARSE)
    units: Mapping[str, int] | None = field(default=None, metadata=SPARSE)
    scale: float | None = field(default=None, metadata=SPARSE)


@dataclass(frozen=True)
class KeptBudget(Kept):
    """The budget that candidates were measured for, and whether the chosen one is within it. ``leanest``:
    they were measured for a firmware that uses nothing but init, prepare and step, since none fits otherwise.
    """

    name: str
    within: bool | None
    leanest: bool | None = field(default=None, metadata=SPARSE)


@dataclass(frozen=True)
class GatedUnits(Kept):
    """How many units of a role there are, and the names of those that the gate of swings refuses."""

    units: int
    refused: tuple[str, ...]


@dataclass(frozen=True)
class TrimGate(Kept):
    """The factor by which the swings of the fit units are widened, and what the gate refuses then."""

    room: float
    choose: GatedUnits | None
    calibrate: GatedUnits | None


@dataclass(frozen=True)
class SeenInBands(Kept):
    """Frames to fit and choose on, and how many were measured inside a temperature band of 'prove'."""

    frames: int
    inside: int


@dataclass(frozen=True, kw_only=True)
class Metrics(Kept):
    """What a search found: what it tried, what was taken and why, and the figures of that on 'prove'.

    ``claims`` are the figures by class on 'prove', ``prove`` its scores beside those of the float model;
    these and ``random_rows`` are None where nothing proves, ``budget`` without one. ``flag_table`` says what
    becomes of a flagged reading, ``trim`` what it was trained for, empty without trims. ``openings`` of
    'prove' are counted where the model is stored. What else an earlier version did not keep is None or empty.
    """

    chosen: CandidateRow | None = None
    candidates: tuple[CandidateRow, ...] = ()
    choose_how: str = ""
    why: str = ""
    next_step: str = ""
    against_next: AgainstNext | None = field(default=None, metadata=SPARSE)
    prove: Prove | None = None
    claims: Figures | None = None
    random_rows: RandomRows | None = None
    limits: tuple[AnsweredLimit, ...] = ()
    band: KeptBand | None = None
    budget: KeptBudget | None = None
    float_onnx_max_diff_mm: float | None = None
    fit: FitRows | None = None
    flag_table: Mapping[str, str] = field(default_factory=dict)
    trim: str = ""
    trim_gate: TrimGate | None = None
    origin: str = ""
    seen_in_prove_bands: SeenInBands | None = field(default=None, metadata=SPARSE)
    ablation: Ablation | None = field(default=None, metadata=SPARSE)
    retraining: Retraining | None = field(default=None, metadata=SPARSE)
    openings: int | None = field(default=None, metadata=SPARSE)

    @classmethod
    def from_json(cls, kept: object) -> Self | None:
        """As :meth:`Kept.from_json`, answers to limits in today's words."""
        read = super().from_json(kept)
        if read is None:
            return None
        span_mm = None if read.claims is None else read.claims.span_mm
        return replace(read, limits=tuple(_in_todays_words(row, span_mm) for row in read.limits))

    @property
    def unproven(self) -> tuple[str, ...]:
        """A sentence for each limit without enough evidence, and one for a model without any limits."""
        if not self.limits:
            return ("no limits were given: nothing says whether the figures are good enough",)
        return tuple(
            f"{row.metric} of {row.condition}: {row.reason}"
            for row in self.limits
            if row.answer == LimitAnswer.UNPROVEN
        )


_FORMERLY = "not shown"


def _in_todays_words(row: AnsweredLimit, span_mm: float | None) -> AnsweredLimit:
    """Version 0.1 wrote 'not shown' for what is 'not enough evidence', and for values beyond their bound on
    few groups, which are 'not met'. Models never change, so their answers are read here.
    """
    if row.answer != _FORMERLY:
        return row
    bound = row.bound if row.or_mm is None or not span_mm else max(row.bound, 100 * row.or_mm / span_mm)
    beyond = row.value is not None and row.value > bound
    return replace(row, answer=str(LimitAnswer.NOT_MET if beyond else LimitAnswer.UNPROVEN))


def read_metrics(kept: object) -> Metrics:
    """The metrics of a model as any version wrote them."""
    read = Metrics.from_json(kept)
    return Metrics() if read is None else read
