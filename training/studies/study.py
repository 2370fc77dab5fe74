"""What trims, feature groups and the watcher are worth: a model's recipe fitted again, one thing changed at a
time, and judged on units not fitted.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from dataset.errors import InputError, ProgramError
from dataset.pools import Task, as_asked
from dataset.records import FrozenData, Limits, Role
from training.judging.answers import bound_of, meets_limits
from training.judging.class_figures import errors
from training.judging.comparing import whole_figures
from training.judging.figures import KeptCost
from training.judging.judged import Judged, judge
from training.models.recipes import Hardware
from training.models.trimming import usable_trims
from training.program import Program
from training.search.array_recipes import ALL, MOVING, PADS, STILL, ArrayRecipe
from training.search.candidates import error_of, kept_cost
from training.search.context import SearchContext, SearchRequest, by_roles
from training.search.nets.refitting import Refit, refit, thinned_fit, unwatched
from training.search.study_figures import Ablation, FeatureStudy, ShortErrors, StudyRow, TrimStudy
from training.studies.learning_curve import tidy_error

FIT_ROWS, STEPS = 6000, 60  # of each refit: the rows are to be told apart, not polished
AS_CHOSEN, WITHOUT_WATCHER = "as chosen", "without the watcher"
FEATURES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {  # of the level net and of the watcher
    "shares only": (PADS, PADS),
    "ratios only": (("ratios",), ("ratios",)),
    "shares and ratios": (STILL, STILL),
    "with flow": (MOVING, MOVING),
    "with flow and unrest": (MOVING, ALL),
}


@dataclass(frozen=True)
class Study:
    """What a study is of: the captures, the recipe that is varied, the groups judged on, and as of a search
    what the answers are held against and measured for, the seed and who follows it.
    """

    data: FrozenData
    hardware: Hardware
    recipe: ArrayRecipe
    role: Role
    request: SearchRequest


def check_study(data: FrozenData, role: Role) -> None:
    """Raises InputError where the set has no fit, choose or ``role`` groups."""
    for needed in (Role.FIT, Role.CHOOSE, role):
        if not data.rows(needed).any():
            raise InputError(
                f"frozen set {data.frozen.name}",
                f"no frames in '{needed}' groups",
                "groups to fit, to choose and to judge on",
            )


def study_trims(study: Study) -> TrimStudy:
    """The recipe with every kind of trim that all units have; ``needed`` is the least trim within the limits.
    Raises as :func:`check_study`.
    """
    return _trims(study, _refits(study, _trim_recipes(study)))


def study_features(study: Study) -> FeatureStudy:
    """The recipe with other groups of features and without its watcher, measured where a budget is given.
    Raises as :func:`check_study`.
    """
    return _features(study, _refits(study, _feature_recipes(study)))


def ablate(study: Study) -> Ablation:
    """Both studies in one go, with the ``role``, ``steps`` and ``fit_rows`` that their rows come from: a
    table that goes with a model.
    """
    refits = _refits(study, _trim_recipes(study) | _feature_recipes(study))
    return Ablation(
        role=str(study.role),
        steps=min(study.recipe.steps, STEPS),
        fit_rows=FIT_ROWS,
        trims=_trims(study, refits),
        features=_features(study, refits),
    )


def _trim_recipes(study: Study) -> dict[str, ArrayRecipe]:
    used = study.data.rows(Role.FIT) | study.data.rows(Role.CHOOSE) | study.data.rows(study.role)
    return {f"trim {kind}": replace(_short(study), trim=kind) for kind in usable_trims(study.data, used)}


def _feature_recipes(study: Study) -> dict[str, ArrayRecipe]:
    recipe = _short(study)
    others = {
        name: replace(
            recipe, level_groups=level, watch_groups=watcher, patience=recipe.patience and "unrest" in watcher
        )
        for name, (level, watcher) in FEATURES.items()
    }
    if recipe.told:
        others["not told of pours"] = replace(recipe, watch_groups=recipe.error_groups)
    return {AS_CHOSEN: recipe} | others


def _short(study: Study) -> ArrayRecipe:
    return replace(study.recipe, steps=min(study.recipe.steps, STEPS))


def _refits(study: Study, recipes: Mapping[str, ArrayRecipe]) -> dict[str, Refit | str]:
    """The recipes fitted side by side, like ones once; in place of a fit that can't be had the reason."""
    check_study(study.data, study.role)
    thin, distinct = thinned_fit(study.data, FIT_ROWS), list(dict.fromkeys(recipes.values()))
    asked = SearchRequest("refit", study.request.limits, seed=study.request.seed)
    context = by_roles(thin, study.hardware, asked).for_workers()
    fitted = {}
    refits = as_asked(
        study.request.pool,
        lambda share: (Task(k, _refit, (share(context), recipe)) for k, recipe in enumerate(distinct)),
    )
    for recipe, refitted in zip(distinct, refits, strict=True):
        fitted[recipe] = refitted
        study.request.progress("fitting again", len(fitted), len(distinct))
    return {name: fitted[recipe] for name, recipe in recipes.items()}


def _refit(context: SearchContext, recipe: ArrayRecipe) -> Refit | str:
    try:
        return refit(context, recipe)
    except (InputError, ProgramError) as error:
        return str(error)


def _trims(study: Study, refits: Mapping[str, Refit | str]) -> TrimStudy:
    rows = tuple(
        _row(study, name.removeprefix("trim "), recipe, refits[name])
        for name, recipe in _trim_recipes(study).items()
    )
    return TrimStudy(rows, next((row.name for row in rows if row.within), None))


def _features(study: Study, refits: Mapping[str, Refit | str]) -> FeatureStudy:
    recipes, rows = _feature_recipes(study), list[StudyRow]()
    for name, recipe in recipes.items():
        study.request.progress("judging and measuring", len(rows), len(recipes) + 1)
        refitted = refits[name]
        rows.append(_row(study, name, recipe, refitted, lambda whole: whole.program))
        if name == AS_CHOSEN:
            rows.append(
                _row(study, WITHOUT_WATCHER, recipe, refitted, lambda whole: unwatched(study.hardware, whole))
            )
    return FeatureStudy(tuple(rows))


def _row(
    study: Study,
    name: str,
    recipe: ArrayRecipe,
    refitted: Refit | str,
    measured: Callable[[Refit], Program] | None = None,
) -> StudyRow:
    """One row: figures of the refit's program, or of the one that ``measured`` makes of it, which alone is
    measured too.
    """
    if isinstance(refitted, str):
        return StudyRow(
            name=name,
            recipe=recipe,
            error_mm=None,
            classes={},
            false_wet=None,
            cost=None,
            good_from_pct=None,
            refused=refitted,
            within=None if study.request.limits is None else False,
        )
    program = refitted.program if measured is None else measured(refitted)
    judged = judge(program, study.data, study.data.rows(study.role), refitted.trims, refitted.span_mm)
    figures = whole_figures(judged)
    return StudyRow(
        name=name,
        recipe=recipe,
        error_mm=tidy_error(error_of(figures)),
        classes={
            what: ShortErrors(row.p95_mm, row.p95_pct, row.accepted_share, row.groups)
            for what, row in figures.classes.items()
        },
        false_wet=figures.false_wet,
        cost=None if measured is None else _cost(study, program),
        good_from_pct=good_from(judged, study.request.limits),
        refused=None,
        within=meets_limits(study.request.limits, figures),
    )


def _cost(study: Study, program: Program) -> KeptCost | None:
    """What a program costs; None without a budget."""
    budget, cost = study.request.budget, study.request.cost
    return None if budget is None or cost is None else kept_cost(cost(program, budget))


def good_from(judged: Judged, limits: Limits | None) -> int | None:
    """The level in % of the span from which on clean liquid keeps its P95 limit in every tenth of it.

    None where the top does not, or without such a limit.
    """
    rows = [
        row
        for row in (() if limits is None else limits.rows)
        if row.condition == "clean" and row.metric in ("p95_pct_span", "p95_abs_mm")
    ]
    if not rows:
        return None
    bound = min(
        row.bound if row.metric == "p95_abs_mm" else bound_of(row, judged.span_mm) * judged.span_mm / 100
        for row in rows
    )
    least = None
    for k in reversed(range(10)):
        tenth = (
            judged.states.clean
            & (judged.label_mm >= k * judged.span_mm / 10)
            & (judged.label_mm < (k + 1) * judged.span_mm / 10 if k < 9 else True)
        )
        p95 = errors(judged, tenth).p95_mm
        if p95 is not None and p95 > bound:
            break
        least = least if p95 is None else 10 * k
    return least
