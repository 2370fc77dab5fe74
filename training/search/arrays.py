"""Training for pad arrays: the search of ``array_search`` run on all cores, the pick, the band, and the
figures on 'prove'.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from joblib import Parallel, delayed
from threadpoolctl import threadpool_limits

from dataset.errors import InputError, ProgramError
from dataset.records import Budget, FrozenData, GroupBy, Limits, Role
from training.costs import CostModel
from training.judging.array_answers import answer_classes, meets_classes
from training.judging.curves import confusion_rows, error_boxes, errors_by_level, risk_curves
from training.judging.judged import Judged, figures_of, judge, judge_scores
from training.judging.power_on import power_on
from training.judging.scoring import Answers, beyond, by_group, score, tidy
from training.models.assemble import FLAG_TABLE, Band, Parts, assemble
from training.models.float_arrays import float_pipeline, float_rows
from training.models.float_pipelines import emit_float_onnx, float_onnx_difference
from training.models.nets import Net
from training.models.operating import Operating
from training.models.recipes import Hardware
from training.models.trimming import usable_trims
from training.program import Program
from training.rows import Ints, Mask, seen_in_prove_bands
from training.search.band import NOT_DRAWN, SHARE, band_of, conformal, fewest_groups, scores, widths_of
from training.search.candidates import (
    ALL,
    EVERY,
    WATCHER_SHARE,
    ArrayRecipe,
    FeatureTable,
    LevelTask,
    default_recipes,
    error_of,
    learn_level,
    learn_watcher,
    parts_of,
    prepare_features,
    scores_of,
    thresholds_of,
    unseen_doubt,
)
from training.search.few_pads import Candidate, Progress, measured, pick, table_bytes

_CHOOSE_EVERY = 4  # of the fit groups, where a set has no choose groups


@dataclass(frozen=True)
class ArrayCandidate(Candidate):
    """A candidate of the array search: its integers, thresholds, float level net, and figures by class on the
    choose groups.
    """

    parts: Parts | None = None
    at: Operating | None = None
    net: Net | None = None
    figures: Mapping[str, Any] | None = None

    @property
    def error(self) -> float:
        """The mean over classes of the P95 in mm."""
        return np.inf if self.figures is None else error_of(self.figures)

    @property
    def false_wets(self) -> int:
        """Episodes on the choose groups in which an empty tank was read as wet."""
        return 0 if self.figures is None else int(self.figures["false_wet"]["wrong"])

    def summary(self) -> dict[str, Any]:
        """The candidate as a row of the metrics."""
        classes = (
            {}
            if self.figures is None
            else {
                name: (its.get("p95_mm"), its["accepted_share"])
                for name, its in self.figures["classes"].items()
            }
        )
        its = self.recipe
        assert isinstance(its, ArrayRecipe)
        return super().summary() | {
            "classes": classes,
            "watcher": list(its.watcher),
            "watched": list(its.watch_groups),
            "patience": its.patience,
        }


@dataclass(frozen=True)
class ArrayTrained:
    """What the face needs of a trained array: program, float model, recipe and metrics (JSON-ready)."""

    program: Program
    float_onnx: bytes
    recipe: dict[str, Any]
    metrics: dict[str, Any]


def train_array(
    data: FrozenData,
    hardware: Hardware,
    name: str,
    limits: Limits | None,
    budget: Budget | None,
    cost: CostModel | None,
    seed: int,
    notes: Mapping[str, str],
    progress: Progress,
    trim: str | None = None,
    recipes: tuple[ArrayRecipe, ...] | None = None,
    jobs: int = -1,
) -> ArrayTrained:
    """Search, pick, calibrate the band and score once on 'prove'. ``trim`` names the trim to train for; None
    means the best that all units have.
    """
    fit, choose, how = _fit_and_choose(data)
    used = fit | choose | data.rows(Role.CALIBRATE) | data.rows(Role.PROVE)
    kinds = usable_trims(data, used)
    chosen_trim = kinds[-1] if trim is None else trim
    if chosen_trim not in kinds:
        raise InputError(
            "trim", chosen_trim, "one of " + ", ".join(kinds), "the units of this frozen set have no others"
        )
    table = prepare_features(data, hardware, fit, used, chosen_trim)
    tried = default_recipes(chosen_trim) if recipes is None else recipes
    with threadpool_limits(
        limits=1
    ):  # around them all: workers that are threads would give each other's limits back
        nets, watchers = _learn_all(data, hardware, table, fit, tried, seed, progress, jobs)
    found = []
    for done, recipe in enumerate(tried):
        progress("judging candidates", done, len(tried))
        found.append(_candidate(data, hardware, table, recipe, nets, watchers, fit, choose, limits, name))
    found.sort(
        key=lambda c: (
            table_bytes(c.program) if c.program else np.inf,
            c.error,
            c.recipe.family,
            c.recipe.size,
            c.recipe.bits,
        )
    )
    costed = measured(list(found), budget, cost, progress)
    picked, why = pick(costed, limits)
    assert isinstance(picked, ArrayCandidate)
    assert picked.parts is not None
    assert picked.at is not None
    assert picked.net is not None
    progress("scoring", 0, 1)
    band, said = _calibrate(data, hardware, picked, table, choose)
    program = assemble(name, hardware, picked.parts, picked.at, band, dict(notes))
    program = replace(program, notes=dict(program.notes) | _notes(picked))
    pipeline = float_pipeline(table.trimming, picked.parts.level_groups, picked.net, hardware.span_mm)
    prove, figures = _prove(data, hardware, program, picked, table, pipeline, fit)
    float_onnx = emit_float_onnx(pipeline, hardware.channels * (1 + len(table.trimming.kinds)), name)
    sample = float_rows(data, table.trims, np.flatnonzero(used)[:: max(int(used.sum()) // 5000, 1)])
    metrics = {
        "chosen": picked.summary(),
        "candidates": [c.summary() for c in costed],
        "choose_how": how,
        "why": why,
        "next_step": _next_step(costed, picked),
        "prove": prove,
        "claims": figures,
        "random_rows": None if prove is None else _random_rows(data, hardware, table, picked, seed),
        "limits": answer_classes(limits, figures, None if prove is None else prove["beyond"]),
        "band": said,
        "budget": None if budget is None or cost is None else {"name": budget.name, "within": picked.within},
        "float_onnx_max_diff_mm": float_onnx_difference(float_onnx, pipeline, sample),
        "fit": _fit_facts(data, fit),
        "flag_table": FLAG_TABLE,
        "trim": chosen_trim,
        "origin": data.frozen.origin,
        **seen_in_prove_bands(data),
    }
    progress("scoring", 1, 1)
    return ArrayTrained(program, float_onnx, _recipe(picked, data, hardware, seed), metrics)


def _fit_and_choose(data: FrozenData) -> tuple[Mask, Mask, str]:
    fit, choose = data.rows(Role.FIT), data.rows(Role.CHOOSE)
    if choose.any():
        return fit, choose, f"scored on {len(np.unique(data.group[choose]))} 'choose' groups"
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
        fit & ~taken,
        taken,
        (
            f"no 'choose' groups: scored on {len(groups[::_CHOOSE_EVERY])} of {len(groups)} 'fit' "
            "groups, left out of the fit"
        ),
    )


def _learn_all(
    data: FrozenData,
    hardware: Hardware,
    table: FeatureTable,
    fit: Mask,
    recipes: tuple[ArrayRecipe, ...],
    seed: int,
    progress: Progress,
    jobs_at_once: int,
) -> tuple[dict[Any, Net], dict[Any, Net]]:
    """All float nets of the recipes, side by side; every fit has one thread and its own seed, so that the
    number of cores changes nothing.
    """
    doubt = unseen_doubt(
        data, table, fit, hardware.span_mm, seed, max(r.steps for r in recipes) // 2, jobs_at_once, progress
    )
    levels = sorted(
        {task for r in recipes for task in r.levels()},
        key=lambda k: (-sum(k.hidden), k.groups, k.hidden, k.frames),
    )
    watchers = sorted(
        {(r.watch_groups, r.watcher, round(r.steps * WATCHER_SHARE)) for r in recipes},
        key=lambda k: (-sum(k[1]), k),
    )
    jobs: list[tuple[Any, ...]] = [
        (learn_watcher, data, table, groups, fit, hidden, seed, doubt, steps)
        for groups, hidden, steps in watchers
    ]
    jobs += [(learn_level, data, table, task, fit, seed, hardware.span_mm) for task in levels]
    made: dict[int, Net] = {}
    progress("fitting nets", 0, len(jobs))
    # as they come, so that progress shows each; the largest begin first and end late
    for k, net in Parallel(n_jobs=jobs_at_once, return_as="generator_unordered")(
        delayed(_one)(k, *job) for k, job in enumerate(jobs)
    ):
        made[k] = net
        progress("fitting nets", len(made), len(jobs))
    nets = [made[k] for k in range(len(jobs))]
    return dict(zip(levels, nets[len(watchers) :], strict=True)), dict(
        zip(watchers, nets[: len(watchers)], strict=True)
    )


def _one(number: int, work: Any, *given: Any) -> tuple[int, Any]:
    with threadpool_limits(limits=1):
        return number, work(*given)


def _candidate(
    data: FrozenData,
    hardware: Hardware,
    table: FeatureTable,
    recipe: ArrayRecipe,
    nets: Mapping[Any, Net],
    watchers: Mapping[Any, Net],
    fit: Mask,
    choose: Mask,
    limits: Limits | None,
    name: str,
) -> ArrayCandidate:
    """A recipe's integers, its thresholds, and its figures on the choose groups."""
    its_nets = [nets[task] for task in recipe.levels()]
    try:
        parts = parts_of(
            its_nets,
            watchers[recipe.watch_groups, recipe.watcher, round(recipe.steps * WATCHER_SHARE)],
            table,
            recipe,
            data,
            fit,
            hardware.span_mm,
        )
        at = thresholds_of(parts, table, data, fit, choose, hardware.span_mm, limits)
        its = scores_of(parts, table, data, choose, hardware.span_mm)
        program = assemble(name, hardware, parts, at, None, {})
    except ProgramError as error:
        return ArrayCandidate(
            recipe, None, None, {}, {}, None if limits is None else False, refused=str(error)
        )
    judged = judge_scores(its, at, data, choose, hardware.span_mm)
    figures = figures_of(judged)
    answers = _answers(judged, data, choose, judged.level_mm, data.level_mm[fit])
    made = ArrayCandidate(
        recipe,
        None,
        program,
        score(answers, answers.level_mm),
        {},
        None,
        parts=parts,
        at=at,
        net=its_nets[0],
        figures=figures,
    )
    return replace(made, meets=meets_classes(limits, figures))


def _calibrate(
    data: FrozenData, hardware: Hardware, picked: ArrayCandidate, table: FeatureTable, choose: Mask
) -> tuple[Band | None, dict[str, Any]]:
    """The band from the calibrate groups, and what is said of it."""
    rows, need = data.rows(Role.CALIBRATE), fewest_groups()
    groups = len(np.unique(data.group[rows]))
    if data.frozen.group_by is GroupBy.TEMPERATURE:
        return None, {"given": False, "reason": NOT_DRAWN}
    if groups < need:
        return None, {
            "given": False,
            "reason": f"a {100 * SHARE:g} % band needs {need} calibrate groups, there are {groups}",
        }
    assert picked.program is not None
    widths = widths_of(judge(picked.program, data, choose, table.trims, hardware.span_mm))
    values = scores(judge(picked.program, data, rows, table.trims, hardware.span_mm), widths)
    scale = conformal(values)
    if scale is None:
        return None, {
            "given": False,
            "reason": f"only {len(values)} of {groups} calibrate groups have an accepted reading, a "
            f"{100 * SHARE:g} % band needs {need}",
        }
    band = band_of(widths, scale)
    said = (
        f"for {100 * SHARE:g} % of new groups, at least {100 * SHARE:g} % of the accepted readings "
        "have the true level inside"
    )
    return band, {
        "given": True,
        "groups": groups,
        "share": SHARE,
        "meaning": said,
        "units": asdict(band),
        "scale": tidy(scale),
    }


def _prove(
    data: FrozenData,
    hardware: Hardware,
    program: Program,
    picked: ArrayCandidate,
    table: FeatureTable,
    pipeline: Any,
    fit: Mask,
) -> tuple[dict[str, Any] | None, dict[str, Any] | None]:
    rows = data.rows(Role.PROVE)
    if not rows.any():
        return None, None
    assert picked.parts is not None
    assert picked.at is not None
    judged = judge(program, data, rows, table.trims, hardware.span_mm)
    floats = pipeline.predict(float_rows(data, table.trims, rows))
    answers = _answers(judged, data, rows, floats, data.level_mm[fit])
    integer = score(answers, answers.level_mm)
    names = {k: group for k, (group, _) in enumerate(data.frozen.roles)}
    prove = {
        "integer": integer,
        "float": score(answers, answers.float_mm),
        "by_group": by_group(answers, names),
        "beyond": beyond(answers),
    }
    risk = risk_curves(judged, scores_of(picked.parts, table, data, rows, hardware.span_mm), picked.at)
    curves = {
        "by_level": errors_by_level(judged),
        "boxes": error_boxes(judged),
        "confusion": confusion_rows(judged),
        "risk": risk,
    }
    cold = {"power_on": power_on(program, data, rows, table.trims)}
    return prove, figures_of(judged) | curves | cold | {"worst_group_rmse_mm": integer["worst_group_rmse_mm"]}


def _answers(judged: Judged, data: FrozenData, rows: Mask, floats: Any, fit_levels: Any) -> Answers:
    label = judged.label_mm
    inside = (label >= fit_levels.min()) & (label <= fit_levels.max())
    return Answers(
        label,
        data.group[rows],
        np.nan_to_num(judged.level_mm),
        np.nan_to_num(floats),
        judged.accepted,
        inside,
    )


def _random_rows(
    data: FrozenData, hardware: Hardware, table: FeatureTable, picked: ArrayCandidate, seed: int
) -> dict[str, Any]:
    """The chosen level net fitted again after a split by row: how much too good that looks. Errors of the
    float net, nothing withheld.
    """
    used = data.rows(Role.FIT) | data.rows(Role.CHOOSE) | data.rows(Role.PROVE)
    rng = np.random.default_rng(seed)
    mine: Mask = used & (rng.random(len(used)) < data.rows(Role.FIT).sum() / used.sum())
    recipe = picked.recipe
    assert isinstance(recipe, ArrayRecipe)
    net = learn_level(
        data,
        table,
        LevelTask(recipe.level_groups, recipe.hidden, recipe.steps, EVERY),
        mine,
        seed,
        hardware.span_mm,
    )
    other: Ints = np.flatnonzero(used & ~mine)
    level = np.clip(net.predict(table.of(recipe.level_groups, other))[:, 0], 0, hardware.span_mm)
    answers = Answers(
        data.level_mm[other],
        data.group[other],
        level,
        level,
        np.ones(len(other), np.bool_),
        np.ones(len(other), np.bool_),
    )
    figures = score(answers, level)
    meaning = (
        "frames split at random, groups on both sides: not a claim, only how much too good such a split looks"
    )
    return {
        "integer": figures,
        "float": figures,
        "fit_share": tidy(mine.sum() / used.sum()),
        "meaning": meaning,
    }


def _next_step(candidates: list[Candidate], picked: Candidate) -> str:
    """What the next candidate up the front would buy."""
    if picked.cost is None:
        return "no budget was given: sizes were not measured"
    larger = [
        c
        for c in candidates
        if c.cost is not None and c.cost.flash > picked.cost.flash and c.error < picked.error
    ]
    if not larger:
        return "no larger candidate that was measured has a smaller error"
    step = min(larger, key=lambda c: c.cost.flash if c.cost is not None else 0)
    assert step.cost is not None
    return (
        f"{step.recipe.family} {step.recipe.size} with {step.recipe.bits} bits: "
        f"{step.cost.flash - picked.cost.flash} B more flash and {step.cost.cycles - picked.cost.cycles:+d} "
        f"cycles for a choose error of {step.error:.3g} mm in place of {picked.error:.3g} mm"
    )


def _notes(picked: ArrayCandidate) -> dict[str, str]:
    its = picked.recipe
    return {"family": its.family, "size": str(its.size), "bits": str(its.bits)}


def _fit_facts(data: FrozenData, fit: Mask) -> dict[str, Any]:
    level = data.level_mm[fit]
    return {
        "groups": len(np.unique(data.group[fit])),
        "frames": int(fit.sum()),
        "label_low_mm": float(level.min()),
        "label_high_mm": float(level.max()),
    }


def _recipe(picked: ArrayCandidate, data: FrozenData, hardware: Hardware, seed: int) -> dict[str, Any]:
    recipe = picked.recipe
    assert isinstance(recipe, ArrayRecipe)
    assert picked.at is not None
    return {
        **asdict(recipe),
        "family": recipe.family,
        "size": recipe.size,
        "features": list(ALL),
        "operating": asdict(picked.at),
        "frozen": {"name": data.frozen.name, "sha256": data.frozen.sha256},
        "seed": seed,
        "board": {**asdict(hardware), "count_law": str(hardware.count_law)},
    }
