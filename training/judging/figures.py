"""Figures of a judged model as records that metrics keep as JSON (:class:`training.judging.kept.Kept`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from training.judging.kept import KEY, SPARSE, WITH, Kept


@dataclass(frozen=True)
class WorstGroup(Kept):
    """Of each figure the worst group's."""

    withheld_share: float | None = None
    p50_mm: float | None = field(default=None, metadata=SPARSE)
    p95_mm: float | None = field(default=None, metadata=SPARSE)
    max_mm: float | None = field(default=None, metadata=SPARSE)
    rmse_mm: float | None = field(default=None, metadata=SPARSE)


@dataclass(frozen=True)
class ClassFigures(Kept):
    """Errors of the accepted readings of a class or place. Without frames, only the first three are there;
    without accepted ones, no errors.
    """

    frames: int
    groups: int
    accepted_share: float | None
    frames_accepted_share: float | None = field(default=None, metadata=SPARSE)
    worst: WorstGroup | None = field(default=None, metadata=SPARSE)
    p50_mm: float | None = field(default=None, metadata=SPARSE)
    p95_mm: float | None = field(default=None, metadata=SPARSE)
    max_mm: float | None = field(default=None, metadata=SPARSE)
    bias_mm: float | None = field(default=None, metadata=SPARSE)
    rmse_mm: float | None = field(default=None, metadata=SPARSE)
    p95_pct: float | None = field(default=None, metadata=SPARSE)
    frames_p95_mm: float | None = field(default=None, metadata=SPARSE)
    worst_group: str | None = field(default=None, metadata=SPARSE)
    worst_group_p95_mm: float | None = field(default=None, metadata=SPARSE)
    # stands beside errors, None where no label's is known
    label_u_mm: float | None = field(default=None, metadata={WITH: "p95_mm"})


@dataclass(frozen=True)
class Episodes(Kept):
    """In how many episodes something went wrong, in how many frames, and the one-sided 95 % bound of the
    rate.
    """

    episodes: int
    wrong: int
    frames: int
    upper_bound_95: float | None


NOT_KEPT = Episodes(0, 0, 0, None)  # what stands for episodes of which metrics say nothing


@dataclass(frozen=True)
class FlagRates(Kept):
    """Of frames with a condition the share flagged, and of those without it."""

    frames_with: int
    flagged_share: float | None
    frames_without: int
    false_flag_share: float | None


@dataclass(frozen=True)
class FlaggedErrors(Kept):
    """What frames with right flags, or with wrong ones, come to."""

    p95_mm: float | None
    withheld_share: float | None


@dataclass(frozen=True)
class Joint(Kept):
    """Shares of frames in which level, flags and validity are right, each and all together."""

    level_share: float
    flags_share: float
    validity_share: float
    all_share: float
    flags_right: FlaggedErrors
    flags_wrong: FlaggedErrors


@dataclass(frozen=True)
class BandFigures(Kept):
    """The share of accepted readings whose label lies inside the band, and the band's mean width."""

    covered_share: float
    worst_group_share: float
    width_mm: float


@dataclass(frozen=True)
class Beyond(Kept):
    """Frames with a label beyond those of the fit, and the share of them that was accepted all the same."""

    frames: int
    accepted_share: float | None
    groups: int


@dataclass(frozen=True)
class PowerOn(Kept):
    """Cold starts; what each figure is says :func:`training.judging.power_on.power_on`."""

    starts: int
    withheld_anyway: int
    none: int
    restarts: int
    window_s: float
    wait_p50_s: float | None
    wait_p95_s: float | None
    wait_max_s: float | None
    settling_frames: int
    as_warm_share: float | None
    apart_mm: float | None


@dataclass(frozen=True)
class LevelBin(Kept):
    """Signed errors in one bin of the span, and the label's uncertainty there."""

    level_mm: float
    frames: int
    p05_mm: float
    p50_mm: float
    p95_mm: float
    label_u_mm: float | None


@dataclass(frozen=True)
class ErrorBox(Kept):
    """Signed errors of one class."""

    name: str = field(metadata={KEY: "class"})
    frames: int
    sessions: int
    groups: int
    p05_mm: float
    p25_mm: float
    p50_mm: float
    p75_mm: float
    p95_mm: float
    least_mm: float
    most_mm: float


@dataclass(frozen=True)
class UnitErrors(Kept):
    """Signed errors of one unit's accepted readings: quantiles of all, and by class some that stand for the
    rest, from the least to the greatest.
    """

    unit: str
    frames: int
    p05_mm: float
    p50_mm: float
    p95_mm: float
    errors_mm: Mapping[str, tuple[float, ...]]


@dataclass(frozen=True)
class SessionTrace(Kept):
    """One session as a program read it, thinned: of some labelled frames the time, the label, and level and
    band where these were given; ``runs``: by name the stretches [from, to] in s of all labelled frames in
    which something was withheld, flagged or stated. ``p95_mm``: of the error of its accepted readings.
    """

    session: str
    unit: str
    liquid: str
    frames: int
    p95_mm: float | None
    withheld_share: float
    t_s: tuple[float, ...]
    label_mm: tuple[float, ...]
    level_mm: tuple[float | None, ...]
    low_mm: tuple[float | None, ...]
    high_mm: tuple[float | None, ...]
    runs: Mapping[str, tuple[tuple[float, ...], ...]]


@dataclass(frozen=True)
class StatedFrames(Kept):
    """Frames of which the same was stated: how many were called valid, empty or withheld, how many raised
    each flag, and what is due to them; ``withheld`` by reason.
    """

    stated: str
    frames: int
    sessions: int
    said: Mapping[str, int]
    raised: Mapping[str, int]
    due: tuple[str, ...]
    withheld: Mapping[str, int] | None = field(default=None, metadata=SPARSE)


@dataclass(frozen=True)
class RiskPoint(Kept):
    """What one threshold of doubt would accept, and the P95 of the error of that."""

    doubt: int
    accepted_share: float
    p95_mm: float


@dataclass(frozen=True)
class OperatingPoint(Kept):
    """Of one class what a model accepts in fact, by all its thresholds, and the P95 of the error of that."""

    accepted_share: float
    p95_mm: float


@dataclass(frozen=True)
class Figures(Kept):
    """All figures of a judged model: by class, by place, rates with bounds, longest runs.

    ``ordered``: groups are bands of a scale. What pictures are made of (``by_level``, ``boxes``,
    ``confusion``, ``risk``, ``operating``, ``by_class_level``, ``predicted``: by class (true, predicted) in
    mm, ``units``, ``traces``) is there for prove groups of a trained model.
    """

    classes: Mapping[str, ClassFigures] = field(default_factory=dict)
    by: Mapping[str, Mapping[str, ClassFigures]] = field(default_factory=dict)
    span_mm: float | None = None
    false_wet: Episodes = NOT_KEPT
    false_wet_by: Mapping[str, Episodes] = field(default_factory=dict)
    false_dry: Episodes = NOT_KEPT
    dry_recognised_share: float | None = None
    dry_recognised_least: float | None = None
    flags: Mapping[str, FlagRates] = field(default_factory=dict)
    joint: Joint | None = None
    longest_withheld_s: float | None = None
    longest_wrong_s: float | None = None
    hysteresis_mm: float | None = None
    band: BandFigures | None = None
    beyond: Beyond | None = None
    power_on: PowerOn | None = None
    ordered: bool | None = field(default=None, metadata=SPARSE)
    by_level: tuple[LevelBin, ...] = ()
    boxes: tuple[ErrorBox, ...] = ()
    confusion: tuple[StatedFrames, ...] = ()
    risk: Mapping[str, tuple[RiskPoint, ...]] = field(default_factory=dict)
    operating: Mapping[str, OperatingPoint] = field(default_factory=dict)
    worst_group_rmse_mm: float | None = None
    by_class_level: Mapping[str, tuple[LevelBin, ...]] | None = field(default=None, metadata=SPARSE)
    predicted: Mapping[str, tuple[tuple[float, ...], ...]] | None = field(default=None, metadata=SPARSE)
    units: tuple[UnitErrors, ...] | None = field(default=None, metadata=SPARSE)
    traces: tuple[SessionTrace, ...] | None = field(default=None, metadata=SPARSE)


@dataclass(frozen=True)
class Score(Kept):
    """Errors of accepted readings, see :func:`training.judging.scoring.score`; None what was not kept."""

    rmse_mm: float | None = None
    worst_group_rmse_mm: float | None = None
    p95_abs_mm: float | None = None
    withheld_share: float | None = None
    groups: int | None = None
    groups_without_reading: int | None = None
    frames: int | None = None


@dataclass(frozen=True)
class GroupScore(Kept):
    """One group: mean label, frames, and error and bias of the integer program."""

    group: str
    level_mm: float
    frames: int
    accepted: int
    beyond: int
    rmse_mm: float | None
    bias_mm: float | None


@dataclass(frozen=True)
class Prove(Kept):
    """Scores on the prove groups, of the integer program and of the float pipeline; ``by_level`` of few pads
    only.
    """

    integer: Score = Score()
    floats: Score = field(default=Score(), metadata={KEY: "float"})
    by_group: tuple[GroupScore, ...] = ()
    by_level: tuple[LevelBin, ...] | None = field(default=None, metadata=SPARSE)
    beyond: Beyond | None = None


@dataclass(frozen=True)
class RandomRows(Kept):
    """Scores after a split by row."""

    integer: Score = Score()
    floats: Score = field(default=Score(), metadata={KEY: "float"})
    fit_share: float | None = None
    meaning: str = ""


@dataclass(frozen=True)
class FitRows(Kept):
    """What a model was fitted on, and its least and greatest label."""

    groups: int
    frames: int
    label_low_mm: float
    label_high_mm: float


@dataclass(frozen=True)
class AnsweredLimit(Kept):
    """One limit answered: the word of :class:`dataset.words.LimitAnswer`, and why."""

    metric: str
    condition: str
    bound: float
    confidence: float | None
    min_groups: int | None  # None where it was not kept
    value: float | None
    answer: str
    reason: str
    or_mm: float | None = field(default=None, metadata=SPARSE)


@dataclass(frozen=True)
class KeptCost(Kept):
    """What a candidate costs on a core, in bytes and cycles: see :class:`training.costs.Cost`. Early versions
    knew no bounds.
    """

    core: str
    flash: int
    flash_code: int
    flash_tables: int
    flash_helpers: int
    ram: int
    stack: int
    stack_bound: int | None
    cycles: int
    cycles_mean: float
    cycles_bound: int | None


@dataclass(frozen=True)
class DriftFigures(Kept):
    """What one drift does to a model; ``fails``: limits that were met without, each 'metric condition'."""

    kind: str
    amount: float
    p95_mm: float | None
    accepted_share: float | None
    false_wet_episodes: int
    empty_episodes: int
    fails: tuple[str, ...]


@dataclass(frozen=True)
class Stands(Kept):
    """How far each kind of drift may go, in per cent, and which pads may die."""

    film_pct: float
    baseline_up_pct: float
    baseline_down_pct: float
    gain_up_pct: float
    gain_down_pct: float
    dead_pads: tuple[int, ...]


@dataclass(frozen=True)
class SweepFigures(Kept):
    """One row for each drift, the first none at all; ``answers`` are to the limits without drift, ``stands``
    is None where none of them was met.
    """

    rows: tuple[DriftFigures, ...]
    stands: Stands | None
    answers: tuple[AnsweredLimit, ...]


@dataclass(frozen=True)
class FaultFigures(Kept):
    """What a model says while a fault of the sensor chain lasts; the first row of a table is without any.

    Frames are those with a label. Each is ``withheld`` (by reason), ``harmless`` (given, within the bound of
    the label), ``flagged`` (given, further off, with a flag that it would not raise without the fault) or
    ``silent`` (given, further off, without; ``too_high``: of these above the label). ``altered``: in which
    what goes into the model differs. An episode is a session with the fault at one place. ``noticed``:
    withheld or flagged in a frame that is neither without the fault; ``wrong``: silent in a frame that is not
    so far off without it, with the one-sided 95 % bound of the rate; ``unnoticed``: wrong and never noticed;
    ``refused``: the trim is, at power-on.
    """

    kind: str
    places: int
    episodes: int
    units: int
    frames: int
    altered: int
    withheld: Mapping[str, int]
    harmless: int
    flagged: int
    silent: int
    too_high: int
    noticed: int
    wrong: int
    unnoticed: int
    refused: int
    upper_bound_95: float | None
    longest_silent_s: float
    most_pct: float | None

    def share(self, frames: int) -> float:
        """Of the frames."""
        return frames / self.frames if self.frames else 0.0


@dataclass(frozen=True)
class FaultTable(Kept):
    """Faults of the sensor chain, one after the other; ``left_out``: kinds that were not tried, and why.
    ``bound_pct``: of the span, what a level may be off and still be harmless.
    """

    rows: tuple[FaultFigures, ...]
    left_out: Mapping[str, str]
    roles: tuple[str, ...]
    units: int
    sessions: int
    bound_pct: float
    seed: int


@dataclass(frozen=True)
class Interval(Kept):
    """A difference with its 95 % interval; no ends on too few groups, nothing without values."""

    value: float | None = None
    low: float | None = None
    high: float | None = None

    def turned(self) -> Interval:
        """The same difference the other way round."""
        value, low, high = (None if end is None else -end for end in (self.value, self.high, self.low))
        return Interval(value, low, high)


@dataclass(frozen=True)
class ClassDifference(Kept):
    """By how much two models differ in one class or place, 'second minus first'."""

    frames: int
    both_accepted: int
    sessions: int
    groups: int
    error_mm: Interval
    accepted_share: Interval

    def turned(self) -> ClassDifference:
        """The same, 'first less second'."""
        return replace(self, error_mm=self.error_mm.turned(), accepted_share=self.accepted_share.turned())


@dataclass(frozen=True)
class CellDifference(Kept):
    """Mean absolute errors of two models in one class, liquid and level band."""

    name: str = field(metadata={KEY: "class"})
    liquid: str
    level_band: str = field(metadata={KEY: "level band"})
    frames: int
    groups: int
    first_mm: float | None
    second_mm: float | None
    difference_mm: float | None


@dataclass(frozen=True)
class AnsweredPair(Kept):
    """One limit answered for two models."""

    first: AnsweredLimit
    second: AnsweredLimit


@dataclass(frozen=True)
class Differences(Kept):
    """Two models on the same rows, see :func:`training.judging.comparing.compare`."""

    classes: Mapping[str, ClassDifference]
    cells: tuple[CellDifference, ...]
    limits: tuple[AnsweredPair, ...]
    losses: tuple[str, ...]
    undecided: tuple[str, ...]
    gains: tuple[str, ...]
    method: str
