"""What a search tries, and what became of each recipe: an integer program with its figures, or the reason why
there is none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np

from training.costs import Cost
from training.judging.figures import ClassFigures, Figures, KeptCost, Score
from training.judging.scoring import tidy
from training.models.assemble import Parts
from training.models.nets import Net
from training.models.operating import Operating
from training.models.recipes import Fitted, Recipe
from training.program import Program
from training.search.array_recipes import ArrayRecipe
from training.search.metrics import CandidateRow, ChooseScores


class AnyRecipe(Protocol):
    """A recipe of either search, as it is shown."""

    @property
    def family(self) -> str: ...

    @property
    def size(self) -> int | str: ...

    @property
    def bits(self) -> int: ...


@dataclass(frozen=True)
class Candidate:
    """A recipe as an integer program, with the figures of integers and floats on groups that its fit has not
    seen.

    ``meets`` says whether it is within the limits, ``within`` whether within the budget; None without limits
    and where no cost was measured. ``quantisation_error_mm``: of the integers from the curve that they stand
    for, along a filling of the tank; 0 where that is not looked at.
    """

    recipe: AnyRecipe
    program: Program
    integer: Score
    floating: Score | None
    meets: bool | None = field(default=None, kw_only=True)
    cost: Cost | None = field(default=None, kw_only=True)
    within: bool | None = field(default=None, kw_only=True)
    quantisation_error_mm: float = field(default=0.0, kw_only=True)

    @property
    def error(self) -> float:
        """The choose error that candidates are compared by, mm; infinite where nothing was accepted."""
        raise NotImplementedError

    @property
    def false_wets(self) -> int:
        """Episodes on the choose groups in which an empty tank was read as wet; 0 where nothing says what
        empty looks like.
        """
        return 0

    def summary(self) -> CandidateRow:
        """The candidate as a row of the metrics."""
        return CandidateRow(
            family=self.recipe.family,
            size=self.recipe.size,
            bits=self.recipe.bits,
            meets=self.meets,
            departure_mm=tidy(self.quantisation_error_mm),
            error_mm=tidy(self.error) if np.isfinite(self.error) else None,
            choose=ChooseScores(self.integer, self.floating),
            cost=None if self.cost is None else kept_cost(self.cost),
            within_budget=self.within,
        )


@dataclass(frozen=True)
class FewPadCandidate(Candidate):
    """A candidate of few pads, with its float model, and figures by class on groups that its fit has not
    seen.
    """

    recipe: Recipe
    fitted: Fitted
    figures: Figures

    @property
    def error(self) -> float:
        """The choose error, quantisation error included."""
        value = self.integer.rmse_mm
        return np.inf if value is None else tidy(np.hypot(value, self.quantisation_error_mm))

    @property
    def cautious(self) -> Figures:
        """The figures with ``quantisation_error_mm`` added in quadrature to the RMS errors.

        Unseen groups lie where marks were taken; what few knots and narrow weights do between them, they
        cannot tell.
        """

        def added(error: float | None) -> float | None:
            return None if error is None else tidy(np.hypot(error, self.quantisation_error_mm))

        def widened(rows: Mapping[str, ClassFigures]) -> dict[str, ClassFigures]:
            return {name: replace(row, rmse_mm=added(row.rmse_mm)) for name, row in rows.items()}

        return replace(
            self.figures,
            classes=widened(self.figures.classes),
            by={place: widened(rows) for place, rows in self.figures.by.items()},
            worst_group_rmse_mm=added(self.figures.worst_group_rmse_mm),
        )


@dataclass(frozen=True)
class ArrayCandidate(Candidate):
    """A candidate of the array search: its integers, thresholds, float level net, and figures by class on the
    choose groups.
    """

    recipe: ArrayRecipe
    parts: Parts
    at: Operating
    net: Net
    figures: Figures

    @property
    def error(self) -> float:
        """The mean over classes of the P95 in mm."""
        return error_of(self.figures)

    @property
    def false_wets(self) -> int:
        """Episodes on the choose groups in which an empty tank was read as wet."""
        return self.figures.false_wet.wrong

    def summary(self) -> CandidateRow:
        """The candidate as a row of the metrics, with its classes and its watcher."""
        classes = {name: (row.p95_mm, row.accepted_share) for name, row in self.figures.classes.items()}
        return _of_array(super().summary(), self.recipe, classes)


@dataclass(frozen=True)
class Refused:
    """A recipe that can't be had in integers, and why; ``meets`` is False where there are limits."""

    recipe: AnyRecipe
    meets: bool | None
    reason: str

    def summary(self) -> CandidateRow:
        """The recipe as a row of the metrics."""
        row = CandidateRow(
            family=self.recipe.family,
            size=self.recipe.size,
            bits=self.recipe.bits,
            meets=self.meets,
            departure_mm=0.0,
            refused=self.reason,
        )
        return _of_array(row, self.recipe, {}) if isinstance(self.recipe, ArrayRecipe) else row


def _of_array(
    row: CandidateRow, recipe: ArrayRecipe, classes: Mapping[str, tuple[float | None, ...]]
) -> CandidateRow:
    return replace(
        row,
        classes=classes,
        watcher=recipe.watcher,
        watched=recipe.watch_groups,
        patience=recipe.patience,
    )


def smallest_first(candidate: Candidate | Refused) -> tuple[Any, ...]:
    """The order that candidates come in: by estimated flash, then by error, what was refused last."""
    recipe = candidate.recipe
    size, error = (
        (np.inf, np.inf)
        if isinstance(candidate, Refused)
        else (table_bytes(candidate.program), candidate.error)
    )
    return size, error, recipe.family, recipe.size, recipe.bits


def table_bytes(program: Program) -> int:
    """Estimated flash of a program without compiling it: tables in their narrowest type, and 24 bytes of code
    an operation.
    """
    total = 0
    for node in program.step:
        total += 24
        for value in node.attributes.values():
            rows = value if isinstance(value, tuple) else ()
            flat = [v for row in rows for v in (row if isinstance(row, tuple) else (row,))]
            if flat:
                widest = max(*flat, -min(flat) - 1)
                total += len(flat) * (1 if widest < 128 else 2 if widest < 32768 else 4)
    return total


def kept_cost(cost: Cost) -> KeptCost:
    """What metrics keep of a cost."""
    return KeptCost(
        core=cost.core,
        flash=cost.flash,
        flash_code=cost.flash_code,
        flash_tables=cost.flash_tables,
        flash_helpers=cost.flash_helpers,
        ram=cost.ram,
        stack=cost.stack,
        stack_bound=cost.stack_bound,
        cycles=cost.cycles,
        cycles_mean=tidy(cost.cycles_mean),
        cycles_bound=cost.cycles_bound,
    )


def error_of(figures: Figures) -> float:
    """What candidates are compared by: the mean over clean, foam and film of the P95 in mm; infinite when
    nothing was accepted.
    """
    p95 = [figures.classes[name].p95_mm for name in ("clean", "foam", "film") if name in figures.classes]
    known = [value for value in p95 if value is not None]
    return float(np.mean(known)) if known and len(known) == len(p95) else float("inf")
