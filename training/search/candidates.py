"""What a search tries, and what became of each recipe: an integer program with its figures, or the reason why
there is none.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from sklearn.pipeline import Pipeline

from training.costs import Cost
from training.judging.band import Widths
from training.judging.figures import ClassFigures, Figures, KeptCost, RandomRows, Score
from training.judging.judged import Judged
from training.judging.scoring import tidy
from training.models.operating import Operating, Scores
from training.models.recipes import Band
from training.program import Program, matrix
from training.rows import Floats, Ints, Mask
from training.search.array_recipes import ArrayRecipe
from training.search.context import SearchContext
from training.search.dealing import Deal
from training.search.kept_recipe import KeptRecipe
from training.search.metrics import CandidateRow, ChooseScores, TrimGate

_NORMAL_P95 = 1.96  # of a normal error the P95 of its size, in standard deviations


class AnyRecipe(Protocol):
    """A recipe of either search, as it is shown."""

    @property
    def family(self) -> str: ...

    @property
    def size(self) -> int | str: ...

    @property
    def bits(self) -> int: ...


@dataclass(frozen=True)
class FloatModel:
    """The float model behind a program: from ``inputs(rows)``, (rows, columns), to levels in mm (rows,)."""

    pipeline: Pipeline
    inputs: Callable[[Mask | Ints], Ints | Floats]

    def levels(self, rows: Mask | Ints) -> Floats:
        """Levels in mm on rows of the data, (rows,)."""
        return np.asarray(self.pipeline.predict(self.inputs(rows)), np.float64)


@dataclass(frozen=True)
class Doubts:
    """What decides on rows whether a level is given, (n,) each, and from where on it is not."""

    scores: Scores
    at: Operating


@dataclass(frozen=True)
class ByGroup:
    """Of each group, by class, (groups,): the P95 of the error of accepted readings in mm, NaN where there is
    none, and the share accepted, NaN where the group has no such rows.
    """

    groups: tuple[str, ...]
    p95_mm: Mapping[str, Floats]
    given: Mapping[str, Floats]


def by_group(judged: Judged) -> ByGroup:
    """The figures of each group by itself."""
    groups, of = judged.places["group"].numbered()
    size, given = np.abs(judged.error_mm), judged.accepted
    p95, shares = dict[str, Floats](), dict[str, Floats]()
    for name, rows in (judged.classes() | {"all": np.ones(len(of), np.bool_)}).items():
        each = [rows & (of == k) for k in range(len(groups))]
        shares[name] = np.asarray([given[mine].mean() if mine.any() else np.nan for mine in each])
        p95[name] = np.asarray(
            [np.quantile(size[mine & given], 0.95) if (mine & given).any() else np.nan for mine in each]
        )
    return ByGroup(tuple(groups), p95, shares)


@dataclass(frozen=True)
class Candidate(ABC):
    """A recipe as an integer program, with the scores of integers and floats and the figures of the integers
    on groups that its fit has not seen. Each kind of model says what becomes of one that is chosen.

    ``meets`` says whether it is within the limits, ``within`` whether within the budget; None without limits
    and where no cost was measured. ``leanest``: the cost is that of the leanest firmware. ``groups``: figures
    of each group; ``sure``: the chance that the groups to prove keep the limits. ``quantisation_error_mm``:
    of the integers from the curve that they stand for, along a filling of the tank; 0 where that is not
    looked at.
    """

    recipe: AnyRecipe
    program: Program
    integer: Score
    floating: Score | None
    figures: Figures
    meets: bool | None = field(default=None, kw_only=True)
    cost: Cost | None = field(default=None, kw_only=True)
    within: bool | None = field(default=None, kw_only=True)
    leanest: bool = field(default=False, kw_only=True)
    quantisation_error_mm: float = field(default=0.0, kw_only=True)
    groups: ByGroup | None = field(default=None, kw_only=True)
    sure: float | None = field(default=None, kw_only=True)

    @property
    def error(self) -> float:
        """The choose error that candidates are compared by, mm, quantisation error included; infinite where
        nothing was accepted.
        """
        return error_of(self.cautious)

    @property
    def name(self) -> str:
        """How it is called beside others: family, size, bits, watcher."""
        recipe = self.recipe
        watcher = "-".join(str(n) for n in recipe.watcher) if isinstance(recipe, ArrayRecipe) else ""
        said = f"{recipe.family} {recipe.size} with {recipe.bits} bits"
        return f"{said}, watcher {watcher}" if watcher else said

    @property
    def false_wets(self) -> int:
        """Episodes on unseen groups in which an empty tank was read as wet."""
        return self.figures.false_wet.wrong

    @property
    def cautious(self) -> Figures:
        """The figures with ``quantisation_error_mm`` added in quadrature to RMS errors and, as of a normal
        law, to P95.

        Unseen groups lie where marks were taken; what few knots and narrow weights do between them, they
        cannot tell.
        """
        departure = self.quantisation_error_mm
        return widened(self.figures, departure) if departure else self.figures

    def summary(self) -> CandidateRow:
        """The candidate as a row of the metrics."""
        row = CandidateRow(
            family=self.recipe.family,
            size=self.recipe.size,
            bits=self.recipe.bits,
            meets=self.meets,
            departure_mm=tidy(self.quantisation_error_mm),
            error_mm=tidy(self.error) if np.isfinite(self.error) else None,
            choose=ChooseScores(self.integer, self.floating),
            cost=None if self.cost is None else kept_cost(self.cost),
            within_budget=self.within,
            sure=None if self.sure is None else tidy(self.sure),
            classes={name: (row.p95_mm, row.accepted_share) for name, row in self.figures.classes.items()},
        )
        return _of_recipe(row, self.recipe)

    @property
    @abstractmethod
    def trims(self) -> Ints:
        """The trims that the program takes, (sessions, trim size)."""

    @property
    @abstractmethod
    def trim(self) -> str:
        """The name of the kind of trims, empty without."""

    @property
    @abstractmethod
    def flag_table(self) -> Mapping[str, str]:
        """What becomes of a reading with each flag, or that it is never raised."""

    @abstractmethod
    def written(self, context: SearchContext, band: Band | None) -> Program:
        """The program with its band, and notes of what it was made from."""

    @abstractmethod
    def widths(self, context: SearchContext) -> Widths:
        """Half widths of a band before they are scaled, from groups that its fit has not seen."""

    @abstractmethod
    def float_model(self, context: SearchContext) -> FloatModel:
        """The float model that goes with the program."""

    @abstractmethod
    def doubts(self, context: SearchContext, rows: Mask) -> Doubts | None:
        """What decides on rows whether a level is given; None where a model has no measure of doubt."""

    @abstractmethod
    def random_rows(self, context: SearchContext) -> RandomRows:
        """The same recipe after a split by row: how much too good that looks."""

    @abstractmethod
    def trim_gate(self, context: SearchContext, program: Program) -> TrimGate | None:
        """Which choose and calibrate units the program refuses by their trims; None where it takes any."""

    @abstractmethod
    def kept_recipe(self, context: SearchContext) -> KeptRecipe:
        """What it takes to fit it again."""


class Kind(Protocol):
    """A kind of model that a search tries.

    ``in_turn``: its fits are short enough to leave each group out in turn; ``note``: what is to be said of
    its errors.
    """

    @property
    def in_turn(self) -> bool: ...

    @property
    def note(self) -> str: ...

    def tried(self, dealt: Deal) -> Sequence[Candidate | Refused]:
        """Its recipes, fitted, and judged on the folds."""
        ...


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
            classes={},
        )
        return _of_recipe(row, self.recipe)


def _of_recipe(row: CandidateRow, recipe: AnyRecipe) -> CandidateRow:
    """The row with what is shown of its recipe."""
    if not isinstance(recipe, ArrayRecipe):
        return row
    return replace(row, watcher=recipe.watcher, watched=recipe.watch_groups, patience=recipe.patience)


def widened(figures: Figures, departure_mm: float) -> Figures:
    """The figures with an error of root mean square ``departure_mm`` added in quadrature."""

    def added(error: float | None, times: float = 1.0) -> float | None:
        return None if error is None else tidy(np.hypot(error, times * departure_mm))

    def rows(named: Mapping[str, ClassFigures]) -> dict[str, ClassFigures]:
        return {name: row(one) for name, one in named.items()}

    def row(one: ClassFigures) -> ClassFigures:
        p95 = added(one.p95_mm, _NORMAL_P95)
        per_cent = None if p95 is None or not figures.span_mm else tidy(100 * p95 / figures.span_mm)
        return replace(one, rmse_mm=added(one.rmse_mm), p95_mm=p95, p95_pct=per_cent)

    return replace(
        figures,
        classes=rows(figures.classes),
        by={place: rows(named) for place, named in figures.by.items()},
        worst_group_rmse_mm=added(figures.worst_group_rmse_mm),
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
            total += _bytes_of(flat) if flat else 0
    return total


def weight_bytes(program: Program) -> int:
    """What the weights of the layers take at least, each kept once in its narrowest type: no C of the program
    links less.
    """
    layers = {matrix(node.attributes, "weights") for node in program.step if node.op == "dense"}
    return sum(_bytes_of([w for row in layer for w in row]) for layer in layers)


def _bytes_of(values: Sequence[int]) -> int:
    widest = max(*values, -min(values) - 1, 0)
    return len(values) * (1 if widest < 128 else 2 if widest < 32768 else 4)


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
    """What candidates are compared by: the mean over clean, foam and film of the P95 in mm, that of all
    frames where there are none of these; infinite when nothing was accepted.
    """
    named = [name for name in ("clean", "foam", "film") if name in figures.classes]
    p95 = [figures.classes[name].p95_mm for name in named or ("all",) if name in figures.classes]
    known = [value for value in p95 if value is not None]
    return float(np.mean(known)) if known and len(known) == len(p95) else float("inf")
