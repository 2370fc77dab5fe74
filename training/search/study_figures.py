"""Figures of studies and of retraining as records, which a model may keep among its metrics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from training.judging.figures import AnsweredLimit, ClassDifference, ClassFigures, Episodes, KeptCost
from training.judging.kept import SPARSE, WITH, Kept
from training.search.array_recipes import ArrayRecipe
from training.search.kept_recipe import AnyKept


@dataclass(frozen=True)
class ShortErrors(Kept):
    """Of one class what tells variants apart; ``groups`` in studies only."""

    p95_mm: float | None
    p95_pct: float | None
    accepted_share: float | None
    groups: int | None = field(default=None, metadata=SPARSE)


@dataclass(frozen=True)
class StudyRow(Kept):
    """One variant of a recipe: its figures by class, whether it is within the limits, and what it costs where
    that was measured; ``refused``: why it can't be had, then there are no figures.

    ``good_from_pct``: as :func:`training.studies.study.good_from`.
    """

    name: str
    recipe: ArrayRecipe | None
    error_mm: float | None
    classes: Mapping[str, ShortErrors]
    false_wet: Episodes | None
    cost: KeptCost | None
    good_from_pct: int | None
    refused: str | None
    within: bool | None


@dataclass(frozen=True)
class TrimStudy(Kept):
    """One row a kind of trim; ``needed``: the least within the limits, None without limits or without one."""

    rows: tuple[StudyRow, ...]
    needed: str | None


@dataclass(frozen=True)
class FeatureStudy(Kept):
    """One row a group of features."""

    rows: tuple[StudyRow, ...]


@dataclass(frozen=True)
class Ablation(Kept):
    """Both studies of a model, judged on groups of ``role``, each fit of at most so many steps and rows."""

    role: str
    steps: int
    fit_rows: int
    trims: TrimStudy
    features: FeatureStudy


@dataclass(frozen=True)
class Needed(Kept):
    """How many units were fitted, and how many sessions they have."""

    units: int
    sessions: int


@dataclass(frozen=True)
class CurvePoint(Kept):
    """One fit of a learning curve. ``refused``: why it can't be had; then neither classes nor false wets."""

    way: str
    units: int
    sessions: int
    error_mm: float | None
    accepted_share: float | None
    classes: Mapping[str, ShortErrors] | None = field(metadata=SPARSE)
    false_wet: int | None = field(metadata={WITH: "classes"})
    reaches: bool | None
    refused: str | None


@dataclass(frozen=True)
class AllNew(Kept):
    """All new sessions by themselves, and the error that they come to."""

    units: int
    sessions: int
    error_mm: float


@dataclass(frozen=True)
class AsGood(Kept):
    """From how many new sessions on earlier ones beside them are as good as all new ones alone, and their
    share of these; None where at none of the numbers tried.
    """

    all_new: AllNew
    together: Needed | None
    ratio: float | None


@dataclass(frozen=True)
class MoreUnits(Kept):
    """What the curve of one way says of more units: its error with all ``units``, where it ends by the law
    end + slope / units, and how many ``further`` units bring it within the share ``near`` of that end.
    """

    way: str
    units: int
    error_mm: float
    end_mm: float
    further: int
    near: float


@dataclass(frozen=True)
class LearningCurve(Kept):
    """Errors on a new tank against the units fitted, with the earlier tank's sessions and without; ``needed``
    by way for the limits, ``ratio`` of the sessions that both ways need; ``more``: what further units would
    buy the way that is kept, None where its errors follow no such law.
    """

    rows: tuple[CurvePoint, ...]
    needed: Mapping[str, Needed | None]
    ratio: float | None
    as_good: AsGood | None
    choose_sessions: int
    steps: int | None
    order: str
    prove_groups: int
    more: MoreUnits | None = None


@dataclass(frozen=True)
class NewTank(Kept):
    """The frozen set of a new tank, and the name of that of the earlier one."""

    frozen: str
    sha256: str
    origin: str
    earlier: str


@dataclass(frozen=True)
class WayFigures(Kept):
    """One way to serve a new tank: errors on its choose and its prove groups, and limits answered there."""

    way: str
    choose_mm: float | None
    prove_mm: float | None
    classes: Mapping[str, ClassFigures]
    false_wet: Episodes
    limits: tuple[AnsweredLimit, ...]
    span_mm: float


@dataclass(frozen=True)
class CrossedWay(Kept):
    """One way on units of the new tank that its fits had left out: ``behind_mm`` the best way, mean over
    units, and how ``sure`` that is, 0 to 1; both None for the best itself. ``within`` the limits; None
    without.
    """

    way: str
    error_mm: float | None
    worst_unit_mm: float | None
    accepted_share: float | None
    false_wet: int
    within: bool | None
    behind_mm: float | None
    sure: float | None


@dataclass(frozen=True)
class Picking(Kept):
    """How the way was picked: the ways on ``units`` left out in so many ``parts``, best first; ``as_good``
    those that may be as good as the best, of which ``favoured`` is the safest.
    """

    ways: tuple[CrossedWay, ...]
    favoured: str
    as_good: tuple[str, ...]
    units: int
    parts: int
    how: str


@dataclass(frozen=True)
class Ahead(Kept):
    """By how much a way errs more than the kept one, by class, and where it loses to it."""

    classes: Mapping[str, ClassDifference]
    losses: tuple[str, ...]
    method: str


@dataclass(frozen=True)
class Left(Kept):
    """What of an earlier set was left out of a join, in sessions and rows, and by how much its labels were
    moved at most, mm.
    """

    same_sessions: int
    held_out_units: int
    rows_above: int
    moved_mm: float


@dataclass(frozen=True)
class Retraining(Kept):
    """A tank change: ways, the favoured one first, the refit that was kept and how far it is ahead of the
    others, and the learning curve; ``refused``: why a way can't be had.
    """

    parent: str
    tank: NewTank
    ways: tuple[WayFigures, ...]
    refused: Mapping[str, str]
    kept: str
    favoured: str
    ahead: Mapping[str, Ahead]
    left_out: Left | None
    moved_mm: float | None
    recipe: AnyKept
    trim_of_parent: str
    curve: LearningCurve
    picking: Picking | None = None
