"""Training for pad arrays: all nets fitted on all cores, the candidates made of them, the pick, the band, and
the figures on 'prove'.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from joblib import Parallel, delayed
from sklearn.pipeline import Pipeline
from threadpoolctl import threadpool_limits

from dataset.errors import InputError, ProgramError
from dataset.records import FrozenData, GroupBy, Role
from training.judging.answers import answer_limits, meets_limits
from training.judging.class_figures import figures_of
from training.judging.figures import RandomRows
from training.judging.judged import judge, judge_scores
from training.judging.scoring import Answers, answers_of, fewest_groups, score, tidy
from training.models.assemble import FLAG_TABLE, Band, assemble
from training.models.float_arrays import float_pipeline, float_rows
from training.models.float_pipelines import emit_float_onnx, float_onnx_difference
from training.models.nets import Net
from training.models.trimming import SWING_ROOM, usable_trims
from training.program import Program, accepted
from training.rows import Ints, Mask
from training.search.array_recipes import (
    ALL,
    EVERY,
    ArrayRecipe,
    LevelTask,
    WatcherTask,
    default_recipes,
)
from training.search.band import NOT_DRAWN, SHARE, band_of, conformal, scores, widths_of
from training.search.candidates import ArrayCandidate, Refused, smallest_first
from training.search.context import SearchContext, for_sensor, notes_of
from training.search.fitting import (
    FeatureTable,
    learn_level,
    learn_watcher,
    parts_of,
    prepare_features,
    scores_of,
    thresholds_of,
    unseen_doubt,
)
from training.search.metrics import GatedUnits, KeptBand, Metrics, TrimGate
from training.search.picking import measured, next_step, pick
from training.search.proving import Chosen, Doubts, fit_rows, known_levels, proved
from training.search.result import RANDOM_ROWS, SearchResult, seen_in_prove_bands, stored_hardware

FEWEST_FIT = 2  # groups
_CHOOSE_EVERY = 4  # of the fit groups, where a set has no choose groups


@dataclass(frozen=True)
class _Nets:
    """The float nets of all recipes."""

    levels: Mapping[LevelTask, Net]
    watchers: Mapping[WatcherTask, Net]


def train_array(
    context: SearchContext, trim: str | None = None, recipes: tuple[ArrayRecipe, ...] | None = None
) -> SearchResult:
    """Search, pick, calibrate the band and score once on 'prove'. ``trim`` names the trim to train for; None
    means the best that all units have.
    """
    context, how = _with_choose_rows(context)
    data, request = context.data, context.request
    kind = _chosen_trim(data, context.used, trim)
    table = prepare_features(context, context.used, kind)
    candidates = _candidates(context, table, default_recipes(kind) if recipes is None else recipes)
    candidates = measured(candidates, request)
    picked, why = pick(candidates, request.limits)
    request.progress("scoring", 0, 1)
    band, kept_band = _calibrate(context, table, picked)
    program = _program(context, picked, band)
    pipeline = float_pipeline(table.trimming, picked.parts.level_groups, picked.net, context.span_mm)
    prove, figures = proved(context, _chosen(context, table, replace(picked, program=program), pipeline))
    inputs = context.hardware.channels * (1 + len(table.trimming.kinds))
    float_onnx = emit_float_onnx(pipeline, inputs, request.name)
    some = np.flatnonzero(context.used)[:: max(int(context.used.sum()) // 5000, 1)]
    answers = answer_limits(request.limits, figures, None if prove is None else prove.beyond)
    metrics = Metrics(
        chosen=picked.summary(),
        candidates=tuple(c.summary() for c in candidates),
        choose_how=how,
        why=why,
        next_step=next_step(candidates, picked),
        prove=prove,
        claims=figures,
        random_rows=None if prove is None else _random_rows(context, table, picked.recipe),
        limits=tuple(answers),
        band=kept_band,
        budget=request.budget_kept(picked.within),
        float_onnx_max_diff_mm=float_onnx_difference(
            float_onnx, pipeline, float_rows(data, table.trims, some)
        ),
        fit=fit_rows(data, context.fit),
        flag_table=FLAG_TABLE,
        trim=kind,
        trim_gate=_trim_gate(context, table, program),
        origin=data.frozen.origin,
        seen_in_prove_bands=seen_in_prove_bands(data),
    )
    request.progress("scoring", 1, 1)
    return SearchResult(program, float_onnx, _recipe(context, picked), metrics)


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


def _with_choose_rows(context: SearchContext) -> tuple[SearchContext, str]:
    """The context with rows to choose on, taken from the fit groups where there are none, and a sentence on
    how candidates are scored.
    """
    data, fit, choose = context.data, context.fit, context.choose
    if choose.any():
        _check_fit_groups(data, fit)
        return context, f"scored on {len(np.unique(data.group[choose]))} 'choose' groups"
    groups = np.unique(data.group[fit])
    if len(groups) < _CHOOSE_EVERY:
        where = f"frozen set '{data.frozen.name}'"
        raise InputError(
            where,
            f"{len(groups)} 'fit' groups and no 'choose' group",
            f"at least {_CHOOSE_EVERY} 'fit' groups, or 'choose' groups",
        )
    taken = fit & np.isin(data.group, groups[::_CHOOSE_EVERY])
    return (
        replace(context, fit=fit & ~taken, choose=taken),
        (
            f"no 'choose' groups: scored on {len(groups[::_CHOOSE_EVERY])} of {len(groups)} 'fit' "
            "groups, left out of the fit"
        ),
    )


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


def _candidates(
    context: SearchContext, table: FeatureTable, recipes: Sequence[ArrayRecipe]
) -> list[ArrayCandidate | Refused]:
    """All recipes fitted and judged on the choose groups, in order of estimated size."""
    # around them all: workers that are threads would give each other's limits back
    with threadpool_limits(limits=1):
        nets = _learn_all(context, table, recipes)
    candidates = []
    for done, recipe in enumerate(recipes):
        context.request.progress("judging candidates", done, len(recipes))
        candidates.append(_candidate(context, table, recipe, nets))
    return sorted(candidates, key=smallest_first)


def _learn_all(context: SearchContext, table: FeatureTable, recipes: Sequence[ArrayRecipe]) -> _Nets:
    """All float nets of the recipes, side by side; every fit has one thread and its own seed, so that the
    number of cores changes nothing.
    """
    request, given = context.request, context.for_workers()
    doubt = unseen_doubt(context, table, max(r.steps for r in recipes) // 2)
    levels = sorted(
        {task for r in recipes for task in r.levels()},
        key=lambda k: (-sum(k.hidden), k.groups, k.hidden, k.frames),
    )
    watchers = sorted(
        {r.watching() for r in recipes}, key=lambda k: (-sum(k.hidden), k.groups, k.hidden, k.steps)
    )
    jobs: list[tuple[Any, ...]] = [(learn_watcher, given, table, task, doubt) for task in watchers]
    jobs += [(learn_level, given, table, task) for task in levels]
    fitted: dict[int, Net] = {}
    request.progress("fitting nets", 0, len(jobs))
    # as they come, so that progress shows each; the largest begin first and end late
    for k, net in Parallel(n_jobs=request.jobs, return_as="generator_unordered")(
        delayed(_numbered)(k, *job) for k, job in enumerate(jobs)
    ):
        fitted[k] = net
        request.progress("fitting nets", len(fitted), len(jobs))
    nets = [fitted[k] for k in range(len(jobs))]
    return _Nets(
        dict(zip(levels, nets[len(watchers) :], strict=True)),
        dict(zip(watchers, nets[: len(watchers)], strict=True)),
    )


def _numbered(number: int, work: Any, *given: Any) -> tuple[int, Any]:
    with threadpool_limits(limits=1):
        return number, work(*given)


def _candidate(
    context: SearchContext, table: FeatureTable, recipe: ArrayRecipe, nets: _Nets
) -> ArrayCandidate | Refused:
    """A recipe's integers, its thresholds, and its figures on the choose groups."""
    data, limits, choose = context.data, context.request.limits, context.choose
    levels = [nets.levels[task] for task in recipe.levels()]
    try:
        parts = parts_of(context, table, recipe, levels, nets.watchers[recipe.watching()])
        at = thresholds_of(context, table, parts)
        program = assemble(context.request.name, context.hardware, parts, at, None, {})
    except ProgramError as error:
        return Refused(recipe, None if limits is None else False, str(error))
    judged = judge_scores(scores_of(context, table, parts, choose), at, data, choose, context.span_mm)
    answers = answers_of(judged, data.group[choose], judged.level_mm, known_levels(context))
    integer = score(answers, answers.level_mm)
    figures = replace(figures_of(judged), worst_group_rmse_mm=integer.worst_group_rmse_mm)
    meets = meets_limits(limits, figures)
    return ArrayCandidate(recipe, program, integer, None, parts, at, levels[0], figures, meets=meets)


def _calibrate(
    context: SearchContext, table: FeatureTable, picked: ArrayCandidate
) -> tuple[Band | None, KeptBand]:
    """The band from the calibrate groups, and what is said of it."""
    data, span_mm = context.data, context.span_mm
    rows, need = data.rows(Role.CALIBRATE), fewest_groups(SHARE)
    groups = len(np.unique(data.group[rows]))
    if data.frozen.group_by is GroupBy.TEMPERATURE:
        return None, KeptBand(False, NOT_DRAWN)
    if groups < need:
        return None, KeptBand(
            False, f"a {100 * SHARE:g} % band needs {need} calibrate groups, there are {groups}"
        )
    widths = widths_of(judge(picked.program, data, context.choose, table.trims, span_mm))
    values = scores(judge(picked.program, data, rows, table.trims, span_mm), widths)
    scale = conformal(values)
    if scale is None:
        return None, KeptBand(
            False,
            f"only {len(values)} of {groups} calibrate groups have an accepted reading, a "
            f"{100 * SHARE:g} % band needs {need}",
        )
    band = band_of(widths, scale)
    meaning = (
        f"for {100 * SHARE:g} % of new groups, at least {100 * SHARE:g} % of the accepted readings "
        "have the true level inside"
    )
    return band, KeptBand(
        given=True,
        groups=groups,
        share=SHARE,
        meaning=meaning,
        units=asdict(band),
        scale=tidy(scale),
    )


def _program(context: SearchContext, picked: ArrayCandidate, band: Band | None) -> Program:
    """The program with its band, and notes of what it was made from."""
    recipe = picked.recipe
    notes = notes_of(context.data)
    program = assemble(context.request.name, context.hardware, picked.parts, picked.at, band, notes)
    shown = {"family": recipe.family, "size": str(recipe.size), "bits": str(recipe.bits)}
    if program.swing is not None:
        shown["trim_gate"] = f"swings of the fit units, widened by the factor {SWING_ROOM:g}"
    return for_sensor(replace(program, notes=dict(program.notes) | shown), context.data)


def _chosen(
    context: SearchContext, table: FeatureTable, picked: ArrayCandidate, pipeline: Pipeline
) -> Chosen:
    """What is picked, as it is proved."""
    return Chosen(
        picked.program,
        table.trims,
        lambda rows: pipeline.predict(float_rows(context.data, table.trims, rows)),
        lambda rows: Doubts(scores_of(context, table, picked.parts, rows), picked.at),
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


def _recipe(context: SearchContext, picked: ArrayCandidate) -> dict[str, Any]:
    recipe, frozen = picked.recipe, context.data.frozen
    return {
        **asdict(recipe),
        "family": recipe.family,
        "size": recipe.size,
        "features": list(ALL),
        "operating": asdict(picked.at),
        "frozen": {"name": frozen.name, "sha256": frozen.sha256},
        "seed": context.request.seed,
        "board": stored_hardware(context.hardware),
    }
