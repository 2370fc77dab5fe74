"""Models of pad arrays: all nets fitted on all cores, and the candidates made of them."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np

from dataset.errors import InputError, ProgramError
from dataset.records import FrozenData, Role
from training.judging.band import Widths, widths_of
from training.judging.class_figures import figures_of
from training.judging.figures import Figures, RandomRows, Score
from training.judging.judged import judge, judge_scores
from training.judging.scoring import Answers, answers_of, score, tidy
from training.models.assemble import FLAG_TABLE, Parts, assemble
from training.models.float_arrays import float_pipeline, float_rows
from training.models.nets import Net
from training.models.operating import Operating
from training.models.recipes import Band
from training.models.trimming import SWING_ROOM, usable_trims
from training.program import Program, accepted
from training.rows import Ints, Mask
from training.search.array_recipes import (
    EVERY,
    ArrayRecipe,
    LevelTask,
    default_recipes,
)
from training.search.candidates import ByGroup, Candidate, Doubts, FloatModel, Refused, by_group
from training.search.context import SearchContext, notes_of
from training.search.dealing import Deal
from training.search.kept_recipe import KeptRecipe
from training.search.metrics import GatedUnits, TrimGate
from training.search.nets.fitting import (
    FeatureTable,
    Learnt,
    learn_level,
    parts_of,
    prepare_features,
    scores_of,
    thresholds_of,
)
from training.search.nets.learning import learn_and_judge
from training.search.proving import known_levels
from training.search.result import RANDOM_ROWS, SearchResult, kept_recipe
from training.search.search import search

FEWEST_FIT = 2  # groups
UNTOLD = "where it is not known, as on the frames to fit on that were not told of it, half of all"


def train_array(
    context: SearchContext,
    trim: str | None = None,
    recipes: tuple[ArrayRecipe, ...] | None = None,
    *,
    told: bool = False,
) -> SearchResult:
    """Search among models of pad arrays alone, as :class:`Arrays` says."""
    return search(context, (Arrays(trim, recipes, told),))


@dataclass(frozen=True)
class Arrays:
    """Models of pad arrays. ``trim`` names the trim to train for, None means the best that all units have;
    ``recipes`` are tried, None means those of :func:`default_recipes`. ``told``: how many seconds ago liquid
    last came in is told, and recipes may read it.
    """

    trim: str | None = None
    recipes: tuple[ArrayRecipe, ...] | None = None
    told: bool = False
    in_turn = False
    note = ""

    def tried(self, dealt: Deal) -> list[Candidate | Refused]:
        """All recipes fitted, and judged on rows that their nets have not seen."""
        context = dealt.context
        _check_fit_groups(context.data, context.fit)
        kind = _chosen_trim(context.data, context.used, self.trim)
        table = prepare_features(context, context.used, kind, told=self.told)
        recipes = default_recipes(kind, table.groups) if self.recipes is None else self.recipes
        learnt, made = learn_and_judge(context, table, recipes, dealt.folds, made_of)
        return [
            one if isinstance(one, Refused) else _candidate(table, recipe, learnt, one)
            for recipe, one in zip(recipes, made, strict=True)
        ]


@dataclass(frozen=True)
class ArrayCandidate(Candidate):
    """A candidate of a pad array: its integers, thresholds, float level net, and the features that they
    read.
    """

    recipe: ArrayRecipe
    parts: Parts
    at: Operating
    net: Net
    table: FeatureTable
    flag_table = FLAG_TABLE

    @property
    def trims(self) -> Ints:
        """As :attr:`Candidate.trims`."""
        return self.table.trims

    @property
    def trim(self) -> str:
        """As :attr:`Candidate.trim`."""
        return self.recipe.trim

    def written(self, context: SearchContext, band: Band | None) -> Program:
        """As :meth:`Candidate.written`."""
        recipe, notes = self.recipe, notes_of(context.data)
        program = assemble(context.request.name, context.hardware, self.parts, self.at, band, notes)
        shown = {"family": recipe.family, "size": str(recipe.size), "bits": str(recipe.bits)}
        if program.swing is not None:
            shown["trim_gate"] = f"swings of the fit units, widened by the factor {SWING_ROOM:g}"
        if program.longest_pour_s:
            shown["since_pour"] = UNTOLD
        return replace(program, notes=dict(program.notes) | shown)

    def widths(self, context: SearchContext) -> Widths:
        """As :meth:`Candidate.widths`, from the choose rows."""
        return widths_of(judge(self.program, context.data, context.choose, self.trims, context.span_mm))

    def float_model(self, context: SearchContext) -> FloatModel:
        """As :meth:`Candidate.float_model`; its inputs are counts and trims side by side."""
        pipeline = float_pipeline(self.table.trimming, self.parts.level_groups, self.net, context.span_mm)
        return FloatModel(pipeline, lambda rows: float_rows(context.data, self.trims, rows))

    def doubts(self, context: SearchContext, rows: Mask) -> Doubts | None:
        """As :meth:`Candidate.doubts`."""
        return Doubts(scores_of(context, self.table, self.parts, rows), self.at)

    def trim_gate(self, context: SearchContext, program: Program) -> TrimGate | None:
        """How many choose and calibrate units the gate of swings refuses; None without a gate."""
        return _trim_gate(context, self.table, program)

    def random_rows(self, context: SearchContext) -> RandomRows:
        """The level net fitted again after a split by row: errors of the float net, nothing withheld."""
        return _random_rows(context, self.table, self.recipe)

    def kept_recipe(self, context: SearchContext) -> KeptRecipe:
        """As :meth:`Candidate.kept_recipe`."""
        return replace(
            kept_recipe(context, self.recipe),
            array=self.recipe,
            features=self.table.groups,
            operating=asdict(self.at),
        )


def _trim_gate(context: SearchContext, table: FeatureTable, program: Program) -> TrimGate | None:
    """How many choose and calibrate units the gate of swings refuses; None without a gate."""
    if program.swing is None:
        return None
    data, passed = context.data, accepted(program, table.trims)

    def gated(rows: Mask) -> GatedUnits:
        sessions = [int(s) for s in np.unique(data.session[rows])]
        frozen = data.frozen.sessions
        units = {frozen[s].unit.name for s in sessions}
        refused = {frozen[s].unit.name for s in sessions if not passed[s]}
        return GatedUnits(len(units), tuple(sorted(refused)))

    return TrimGate(SWING_ROOM, gated(context.choose), gated(data.rows(Role.CALIBRATE)))


def _check_fit_groups(data: FrozenData, fit: Mask) -> None:
    """What to doubt is learnt from errors on fit groups that a net was not fitted on: one group leaves none
    to fit.
    """
    groups = len(np.unique(data.group[fit]))
    if groups < FEWEST_FIT:
        raise InputError(
            f"frozen set '{data.frozen.name}'",
            f"{groups} 'fit' {'group' if groups == 1 else 'groups'}",
            f"at least {FEWEST_FIT} 'fit' groups for a pad array, so that each can be left out in turn",
            f"freeze a set with fit:{FEWEST_FIT},choose:1 or more",
        )


def _chosen_trim(data: FrozenData, used: Mask, trim: str | None) -> str:
    kinds = usable_trims(data, used)
    kind = kinds[-1] if trim is None else trim
    if kind not in kinds:
        expected = "one of " + ", ".join(kinds)
        raise InputError("trim", kind, expected, "the units of this frozen set have no others")
    return kind


@dataclass(frozen=True)
class Made:
    """What a recipe's nets come to: their integers, thresholds, program, and its figures on groups that the
    nets have not seen.
    """

    parts: Parts
    at: Operating
    program: Program
    integer: Score
    figures: Figures
    groups: ByGroup


def made_of(
    context: SearchContext, table: FeatureTable, recipe: ArrayRecipe, learnt: Learnt
) -> Made | Refused:
    """A recipe's integers, thresholds and figures."""
    data, scored = context.data, context.fit | context.choose
    try:
        parts = parts_of(context, table, recipe, learnt.kept)
        at, unseen = thresholds_of(context, table, recipe, learnt, parts)
        program = assemble(context.request.name, context.hardware, parts, at, None, {})
    except ProgramError as error:
        return Refused(recipe, None, str(error))
    judged = judge_scores(unseen.scores, at, data, scored, context.span_mm)
    answers = answers_of(judged, data.group[scored], judged.level_mm, known_levels(context))
    integer = score(answers, answers.level_mm)
    figures = replace(figures_of(judged), worst_group_rmse_mm=integer.worst_group_rmse_mm)
    return Made(parts, at, program, integer, figures, by_group(judged))


def _candidate(table: FeatureTable, recipe: ArrayRecipe, learnt: Learnt, made: Made) -> ArrayCandidate:
    net = learnt.kept.levels[recipe.levels()[0]]
    return ArrayCandidate(
        recipe,
        made.program,
        made.integer,
        None,
        made.figures,
        made.parts,
        made.at,
        net,
        table,
        groups=made.groups,
    )


def _random_rows(context: SearchContext, table: FeatureTable, recipe: ArrayRecipe) -> RandomRows:
    """The chosen level net fitted again after a split by row: how much too good that looks. Errors of the
    float net, nothing withheld.
    """
    data, span_mm = context.data, context.span_mm
    used = data.rows(Role.FIT) | data.rows(Role.CHOOSE) | data.rows(Role.PROVE)
    rng = np.random.default_rng(context.request.seed)
    drawn: Mask = used & (rng.random(len(used)) < data.rows(Role.FIT).sum() / used.sum())
    task = LevelTask(recipe.level_groups, recipe.hidden, recipe.steps, EVERY)
    net = learn_level(context.fitted_on(drawn), table, task)
    other: Ints = np.flatnonzero(used & ~drawn)
    level = np.clip(net.predict(table.of(recipe.level_groups, other))[:, 0], 0, span_mm)
    every = np.ones(len(other), np.bool_)
    figures = score(Answers(data.level_mm[other], data.group[other], level, level, every, every), level)
    return RandomRows(figures, figures, tidy(drawn.sum() / used.sum()), RANDOM_ROWS)
