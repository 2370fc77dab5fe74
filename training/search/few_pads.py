"""Models of few pads, and of any number where families are named: every recipe fitted, and scored as an
integer program on groups that its fit has not seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from dataset.errors import ProgramError
from dataset.pools import Task
from dataset.records import FrozenData, Role
from training.judging.band import Widths, widths_of
from training.judging.class_figures import figures_of
from training.judging.figures import RandomRows
from training.judging.judged import Judged, joined, judge
from training.judging.scoring import Answers, answers_of, score
from training.models.families import BITS, FAMILIES
from training.models.recipes import Band, Fitted, Recipe, fit_sizes, quantise
from training.program import LEVEL_UNITS_PER_MM, WITHHELD, Program, run
from training.rows import Ints, Mask, Rows, rows_of
from training.search.candidates import Candidate, Doubts, FloatModel, Refused, by_group
from training.search.context import WORTH_WORKERS, SearchContext, SearchRequest, notes_of
from training.search.dealing import Deal, Fold
from training.search.kept_recipe import CountRange, KeptRecipe
from training.search.metrics import NEVER_RAISED, TrimGate
from training.search.proving import known_levels
from training.search.result import RANDOM_ROWS, kept_recipe

FLAG_TABLE = {
    "foam": NEVER_RAISED,
    "film": NEVER_RAISED,
    "out_of_range": "withheld",
    "sensor_fault": "withheld",
}
_WITH_QUANTISATION = (
    "; limits are compared with the integer error and the integers' departure from their own "
    "curve, added in quadrature"
)
_PATH_POINTS = 400


@dataclass(frozen=True)
class FewPads:
    """Models of these families: a curve from the counts of all pads to the level. ``only`` is the one recipe
    that is tried; None tries all.
    """

    families: tuple[str, ...]
    only: Recipe | None = None
    in_turn = True
    note = _WITH_QUANTISATION

    def tried(self, dealt: Deal) -> list[Candidate | Refused]:
        """Every recipe of the families, fitted and scored on the folds."""
        context = dealt.context
        plan = {family: self._sizes(family, context.hardware.channels) for family in self.families}
        fits = _fits(context, plan, dealt.folds)
        path = _filling(rows_of(context.data, context.fit))
        candidates: list[Candidate | Refused] = []
        for family, sizes in plan.items():
            fitted = fits[family, None]
            answers: dict[Recipe, list[_Given]] = {}
            for k in range(len(dealt.folds)):
                for recipe, said in fits[family, k]:
                    answers.setdefault(recipe, []).append(said)
            recipes = [Recipe(family, size, bits) for size in sizes for bits in BITS]
            for recipe in recipes if self.only is None else [self.only]:
                scored = answers.get(recipe, [])
                whole = scored if len(scored) == len(dealt.folds) else []
                candidates.append(self._candidate(context, recipe, fitted[recipe.size], path, whole))
        return candidates

    def _sizes(self, family: str, channels: int) -> Sequence[int]:
        return FAMILIES[family].sizes(channels) if self.only is None else [self.only.size]

    def _candidate(
        self,
        context: SearchContext,
        recipe: Recipe,
        fitted: Fitted,
        path: Ints,
        answers: Sequence[_Given],
    ) -> Candidate | Refused:
        """A recipe counts only when every fold could be written in integers (else ``answers`` are none), and
        so can the final fit.
        """
        try:
            program = quantise(fitted, recipe.bits, context.hardware, context.request.name)
        except ProgramError as error:
            return Refused(recipe, None, str(error))
        if not answers:
            return Refused(recipe, None, "not possible in integers on every fold")
        beside = _joined_answers([one.answers for one in answers])
        judged = joined([one.judged for one in answers])
        integer = score(beside, beside.level_mm)
        figures = replace(figures_of(judged), worst_group_rmse_mm=integer.worst_group_rmse_mm)
        return FewPadCandidate(
            recipe,
            program,
            integer,
            score(beside, beside.float_mm),
            figures,
            fitted,
            self.families,
            len(context.data.frozen.sessions),
            widths_of(judged),
            quantisation_error_mm=_quantisation_error(fitted, program, path),
            groups=by_group(judged),
        )


@dataclass(frozen=True)
class FewPadCandidate(Candidate):
    """A candidate of few pads, with its float model, the families that were tried, and the half widths of a
    band on groups that its fit has not seen.
    """

    recipe: Recipe
    fitted: Fitted
    families: tuple[str, ...]
    sessions: int
    own_widths: Widths
    trim = ""
    flag_table = FLAG_TABLE

    @property
    def trims(self) -> Ints:
        """None for each session, (sessions, 0)."""
        return no_trims(self.sessions)

    def written(self, context: SearchContext, band: Band | None) -> Program:
        """As :meth:`Candidate.written`."""
        program = self.program
        if band is not None:
            name = context.request.name
            program = quantise(self.fitted, self.recipe.bits, context.hardware, name, band)
        return replace(program, notes=dict(program.notes) | notes_of(context.data))

    def widths(self, context: SearchContext) -> Widths:
        """As :meth:`Candidate.widths`."""
        return self.own_widths

    def float_model(self, context: SearchContext) -> FloatModel:
        """As :meth:`Candidate.float_model`; its inputs are counts."""
        counts = context.data.counts
        return FloatModel(self.fitted.pipeline, lambda rows: counts[rows])

    def doubts(self, context: SearchContext, rows: Mask) -> Doubts | None:
        """None: nothing in it measures doubt."""
        return None

    def trim_gate(self, context: SearchContext, program: Program) -> TrimGate | None:
        """None: it takes no trims."""
        return None

    def random_rows(self, context: SearchContext) -> RandomRows:
        """The same recipe after a split by row, which lets frames of one group stand on both sides."""
        data, recipe, seed = context.data, self.recipe, context.request.seed
        used = context.fit | data.rows(Role.CHOOSE) | data.rows(Role.PROVE)
        low, high = known_levels(context)
        used &= (data.level_mm >= low) & (data.level_mm <= high)
        index = _canonical(data, used)
        share = (context.fit & used).sum() / used.sum()
        drawn = np.random.default_rng(seed).permutation(index)[: max(round(share * len(index)), 2)]
        train_rows: Mask = np.zeros(len(used), dtype=np.bool_)
        train_rows[drawn] = True
        rows = rows_of(data, train_rows)
        fitted = fit_sizes(recipe.family, [recipe.size], rows, context.hardware, seed)[recipe.size]
        program = quantise(fitted, recipe.bits, context.hardware, "random_rows")
        answers = _given(fitted, program, context, used & ~train_rows, rows.label_range).answers
        return RandomRows(
            integer=score(answers, answers.level_mm),
            floats=score(answers, answers.float_mm),
            fit_share=float(f"{share:.6g}"),
            meaning=RANDOM_ROWS,
        )

    def kept_recipe(self, context: SearchContext) -> KeptRecipe:
        """As :meth:`Candidate.kept_recipe`."""
        conditioning = self.fitted.conditioning
        return replace(
            kept_recipe(context, self.recipe),
            families=self.families,
            trained_range=CountRange(tuple(conditioning.low), tuple(conditioning.high)),
            law=None if conditioning.law is None else str(conditioning.law),
        )


@dataclass(frozen=True)
class _Given:
    """What a program said of rows, and the same beside its float model."""

    judged: Judged
    answers: Answers


def _fits(
    context: SearchContext, plan: Mapping[str, Sequence[int]], folds: Sequence[Fold]
) -> dict[tuple[str, int | None], Any]:
    """Each family's fits of all sizes on the fit rows, by (family, None), and what they say on each fold, by
    (family, number of the fold). Folds that are fitted on the same rows wait for these fits.
    """
    request, results = context.request, dict[tuple[str, int | None], Any]()
    many = int(context.fit.sum()) >= WORTH_WORKERS
    with (request.pool if many else request.pool.small()).begin() as begun:
        shared = begun.share(context.for_workers())

        def score(family: str, k: int, models: Mapping[int, Fitted] | None) -> None:
            begun.add(Task((family, k), _fold_answers, (shared, folds[k], family, plan[family], models)))

        same = [k for k, fold in enumerate(folds) if fold.fit is context.fit]
        for family, sizes in plan.items():
            begun.add(Task((family, None), _fitted_sizes, (shared, family, sizes)))
            for k in range(len(folds)):
                if k not in same:
                    score(family, k, None)
        _tell(request, plan, results, len(folds))
        for key, result in begun:
            results[key] = result  # type: ignore[index]  # keys are those above
            if key[1] is None:  # type: ignore[index]  # as above
                for k in same:
                    score(key[0], k, result)  # type: ignore[index]  # as above
            _tell(request, plan, results, len(folds))
    return results


def _tell(
    request: SearchRequest,
    plan: Mapping[str, Sequence[int]],
    results: Mapping[tuple[str, int | None], Any],
    folds: int,
) -> None:
    """How far it is, in the name of the first family that is not done."""
    done = {family: sum(key[0] == family for key in results) for family in plan}
    family = next((family for family in plan if done[family] <= folds), [*plan][-1])
    request.progress(family, len(results), len(plan) * (folds + 1))


def _fitted_sizes(context: SearchContext, family: str, sizes: Sequence[int]) -> dict[int, Fitted]:
    rows = rows_of(context.data, context.fit)
    return dict(fit_sizes(family, sizes, rows, context.hardware, context.request.seed))


def _fold_answers(
    context: SearchContext,
    fold: Fold,
    family: str,
    sizes: Sequence[int],
    models: Mapping[int, Fitted] | None,
) -> list[tuple[Recipe, _Given]]:
    """Answers of one family on one fold, by recipe; what cannot be quantised gives none. ``models``: those
    fitted on the fold's rows, None where they have to be fitted first.
    """
    data, hardware = context.data, context.hardware
    rows = rows_of(data, fold.fit)
    if models is None:
        models = fit_sizes(family, sizes, rows, hardware, context.request.seed)
    answers = []
    for size, fitted in models.items():
        for bits in BITS:
            try:
                program = quantise(fitted, bits, hardware, "candidate")
            except ProgramError:
                continue
            said = _given(fitted, program, context, fold.score, rows.label_range)
            answers.append((Recipe(family, size, bits), said))
    return answers


def _given(
    fitted: Fitted, program: Program, context: SearchContext, rows: Mask, known_mm: tuple[float, float]
) -> _Given:
    """What program and float pipeline say of rows."""
    data = context.data
    judged = judge(program, data, rows, no_trims(len(data.frozen.sessions)), context.span_mm)
    return _Given(judged, answers_of(judged, data.group[rows], fitted.levels(data.counts[rows]), known_mm))


def _joined_answers(parts: Sequence[Answers]) -> Answers:
    """Answers of several folds as one."""
    return Answers(
        *(np.concatenate([getattr(p, field) for p in parts]) for field in Answers.__dataclass_fields__)
    )


def no_trims(sessions: int) -> Ints:
    """The trims of a model that takes none, (sessions, 0)."""
    return np.zeros((sessions, 0), np.int64)


def _filling(rows: Rows) -> Ints:
    """Counts along a filling of the tank, (points, channels): straight between the median counts of up to 50
    slices of level.
    """
    levels, label = np.unique(rows.level_mm, return_inverse=True)
    slices = label * min(len(levels), 50) // len(levels)
    at = [float(np.median(rows.level_mm[slices == s])) for s in range(int(slices.max()) + 1)]
    medians = np.asarray([np.median(rows.counts[slices == s], axis=0) for s in range(len(at))])
    points = np.linspace(at[0], at[-1], _PATH_POINTS)
    counts = np.stack([np.interp(points, at, channel) for channel in medians.T], axis=1)
    return np.asarray(np.rint(counts), dtype=np.int64)


def _quantisation_error(fitted: Fitted, program: Program, path: Ints) -> float:
    """Root mean square of two things in mm: the table's distance from its curve, and the integers' from the
    floats along ``path``.
    """
    outputs = run(program, path)
    accepted = outputs.validity != WITHHELD
    rounding = outputs.level[accepted] / LEVEL_UNITS_PER_MM - fitted.levels(path[accepted])
    return float(
        np.hypot(
            fitted.pipeline.named_steps["model"].quantisation_error_mm,
            np.sqrt(np.mean(rounding**2)) if accepted.any() else 0.0,
        )
    )


def _canonical(data: FrozenData, used: Mask) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Indices of the used frames, sorted by content rather than by place, so that storage order draws no
    lots.
    """
    at = np.flatnonzero(used)
    order = np.lexsort((*data.counts[at].T[::-1], data.t_ms[at], data.level_mm[at], data.group[at]))
    return np.asarray(at[order], dtype=np.int64)
