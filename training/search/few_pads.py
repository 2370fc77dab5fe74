"""Training for few pads: every recipe fitted and scored as an integer program on groups that its fit has not
seen, the pick, and the figures on 'prove'.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from dataset.errors import InputError, ProgramError
from dataset.records import FrozenData, GroupBy, Role
from training.judging.answers import answer_limits, meets_limits
from training.judging.class_figures import figures_of
from training.judging.figures import RandomRows
from training.judging.judged import Judged, joined, judge
from training.judging.scoring import Answers, answers_of, fewest_groups, score
from training.models.families import BITS, FAMILIES
from training.models.float_pipelines import emit_float_onnx, float_onnx_difference
from training.models.recipes import Fitted, Recipe, fit_sizes, quantise
from training.program import LEVEL_UNITS_PER_MM, WITHHELD, Program, run
from training.rows import Ints, Mask, Rows, rows_of
from training.search.band import NOT_DRAWN, SHARE
from training.search.candidates import FewPadCandidate, Refused, smallest_first
from training.search.context import SearchContext, for_sensor, notes_of
from training.search.metrics import NEVER_RAISED, KeptBand, Metrics
from training.search.picking import measured, next_step, pick
from training.search.proving import Chosen, fit_rows, proved
from training.search.result import RANDOM_ROWS, SearchResult, seen_in_prove_bands, stored_hardware

MOST_FOLDS = 12
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
class Fold:
    """Frames to fit on and frames to score on."""

    fit: Mask
    score: Mask


@dataclass(frozen=True)
class Given:
    """What a program said of rows, and the same beside its float model."""

    judged: Judged
    answers: Answers


def train_few_pads(context: SearchContext, families: tuple[str, ...]) -> SearchResult:
    """Search the families, pick, and score once on 'prove'."""
    data, request = context.data, context.request
    candidates, how = search(context, families)
    candidates = measured(candidates, request)
    chosen, why = pick(candidates, request.limits)
    program = replace(chosen.program, notes=dict(chosen.program.notes) | notes_of(data))
    program = for_sensor(program, data)
    chosen = replace(chosen, program=program)
    request.progress("scoring", 1, 1)
    chosen_levels = chosen.fitted.levels
    prove, figures = proved(
        context,
        Chosen(program, no_trims(data), lambda rows: chosen_levels(data.counts[rows]), lambda _: None),
    )
    random_rows = None if prove is None else _random_rows(chosen.recipe, context)
    float_onnx = emit_float_onnx(chosen.fitted.pipeline, context.hardware.channels, request.name)
    difference = float_onnx_difference(float_onnx, chosen.fitted.pipeline, data.counts)
    metrics = Metrics(
        chosen=chosen.summary(),
        candidates=tuple(c.summary() for c in candidates),
        choose_how=how,
        why=why,
        next_step=next_step(candidates, chosen),
        prove=prove,
        claims=figures,
        random_rows=random_rows,
        limits=tuple(answer_limits(request.limits, figures, None if prove is None else prove.beyond)),
        band=_band(data),
        budget=request.budget_kept(chosen.within),
        float_onnx_max_diff_mm=difference,
        fit=fit_rows(data, data.rows(Role.FIT)),
        flag_table=FLAG_TABLE,
        origin=data.frozen.origin,
        seen_in_prove_bands=seen_in_prove_bands(data),
    )
    return SearchResult(program, float_onnx, _recipe(chosen, families, context), metrics)


def folds(data: FrozenData) -> tuple[tuple[Fold, ...], str]:
    """How candidates are scored: on the choose groups, or leaving fit groups out in turn; with a sentence
    that says so.
    """
    fit, choose = data.rows(Role.FIT), data.rows(Role.CHOOSE)
    count = len(np.unique(data.group[choose]))
    if count:
        return (Fold(fit, choose),), f"scored on {count} 'choose' groups" + _WITH_QUANTISATION
    groups = _left_out_groups(data, fit)
    deals = [groups[k :: min(len(groups), MOST_FOLDS)] for k in range(min(len(groups), MOST_FOLDS))]
    parts = tuple(Fold(fit & ~np.isin(data.group, deal), fit & np.isin(data.group, deal)) for deal in deals)
    how = f"no 'choose' groups: scored on {len(groups)} 'fit' groups, each left out of its fit in turn"
    if data.frozen.group_by is GroupBy.LEVEL:
        how += (
            "; the lowest and the highest level always stay in the fit, for without them the model "
            "would have to extrapolate"
        )
    if len(deals) < len(groups):
        how += f"; left out in {len(deals)} parts of several groups"
    return parts, how + _WITH_QUANTISATION


def _left_out_groups(data: FrozenData, fit: Mask) -> list[int]:
    groups = [int(g) for g in np.unique(data.group[fit])]
    if data.frozen.group_by is GroupBy.LEVEL:
        groups.sort(key=lambda g: (float(data.level_mm[fit & (data.group == g)].mean()), g))
        groups = groups[1:-1]
    least = 1 if data.frozen.group_by is GroupBy.LEVEL else 2
    if len(groups) < least:
        have = len(np.unique(data.group[fit]))
        raise InputError(
            f"frozen set '{data.frozen.name}'",
            f"{have} 'fit' groups and no 'choose' group",
            f"at least {3 if least == 1 else 2} 'fit' groups",
            "freeze more sessions, or give a group the role 'choose'",
        )
    return groups


def search(context: SearchContext, families: Sequence[str]) -> tuple[list[FewPadCandidate | Refused], str]:
    """Fit and score every recipe of ``families``; candidates in order of estimated size, and how they were
    scored.
    """
    data, hardware, progress = context.data, context.hardware, context.request.progress
    parts, how = folds(data)
    plan = [(family, FAMILIES[family].sizes(hardware.channels)) for family in families]
    rows = rows_of(data, context.fit)
    path = _filling(rows)
    candidates: list[FewPadCandidate | Refused] = []
    total, done = len(plan) * (len(parts) + 1), 0
    for family, sizes in plan:
        answers: dict[Recipe, list[Given]] = {}
        for fold in parts:
            progress(family, done, total)
            for recipe, given in _fold_answers(context, fold, family, sizes):
                answers.setdefault(recipe, []).append(given)
            done += 1
        fitted = fit_sizes(family, sizes, rows, hardware, context.request.seed)
        for recipe in (Recipe(family, size, bits) for size in sizes for bits in BITS):
            scored = answers.get(recipe, [])
            whole = scored if len(scored) == len(parts) else []
            candidates.append(_candidate(context, recipe, fitted[recipe.size], path, whole))
        done += 1
        progress(family, done, total)
    return sorted(candidates, key=smallest_first), how


def _fold_answers(
    context: SearchContext, fold: Fold, family: str, sizes: Sequence[int]
) -> Iterator[tuple[Recipe, Given]]:
    """Answers of one family on one fold, by recipe; what cannot be quantised gives none."""
    data, hardware = context.data, context.hardware
    rows = rows_of(data, fold.fit)
    for size, fitted in fit_sizes(family, sizes, rows, hardware, context.request.seed).items():
        for bits in BITS:
            try:
                program = quantise(fitted, bits, hardware, "candidate")
            except ProgramError:
                continue
            yield Recipe(family, size, bits), given(fitted, program, context, fold.score, rows.label_range)


def _candidate(
    context: SearchContext, recipe: Recipe, fitted: Fitted, path: Ints, answers: Sequence[Given]
) -> FewPadCandidate | Refused:
    """A recipe counts only when every fold could be written in integers (else ``answers`` are none), and so
    can the final fit.
    """
    limits = context.request.limits
    try:
        program = quantise(fitted, recipe.bits, context.hardware, context.request.name)
    except ProgramError as error:
        return Refused(recipe, None if limits is None else False, str(error))
    if not answers:
        reason = "not possible in integers on every fold"
        return Refused(recipe, None if limits is None else False, reason)
    all_folds = joined_answers([one.answers for one in answers])
    integer = score(all_folds, all_folds.level_mm)
    figures = figures_of(joined([one.judged for one in answers]))
    candidate = FewPadCandidate(
        recipe,
        program,
        integer,
        score(all_folds, all_folds.float_mm),
        fitted,
        replace(figures, worst_group_rmse_mm=integer.worst_group_rmse_mm),
        quantisation_error_mm=_quantisation_error(fitted, program, path),
    )
    return replace(candidate, meets=meets_limits(limits, candidate.cautious))


def given(
    fitted: Fitted, program: Program, context: SearchContext, rows: Mask, known_mm: tuple[float, float]
) -> Given:
    """What program and float pipeline say of rows."""
    data = context.data
    judged = judge(program, data, rows, no_trims(data), context.span_mm)
    return Given(judged, answers_of(judged, data.group[rows], fitted.levels(data.counts[rows]), known_mm))


def joined_answers(parts: Sequence[Answers]) -> Answers:
    """Answers of several folds as one."""
    return Answers(
        *(np.concatenate([getattr(p, field) for p in parts]) for field in Answers.__dataclass_fields__)
    )


def no_trims(data: FrozenData) -> Ints:
    """The trims of a model that takes none, (sessions, 0)."""
    return np.zeros((len(data.frozen.sessions), 0), np.int64)


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


def _random_rows(recipe: Recipe, context: SearchContext) -> RandomRows:
    """The same recipe after a split by row, which lets frames of one group stand on both sides: how much too
    good it looks.
    """
    data, hardware, seed = context.data, context.hardware, context.request.seed
    fit, used = data.rows(Role.FIT), data.rows(Role.FIT) | data.rows(Role.CHOOSE) | data.rows(Role.PROVE)
    low, high = rows_of(data, fit).label_range
    used &= (data.level_mm >= low) & (data.level_mm <= high)
    index = _canonical(data, used)
    share = (fit & used).sum() / used.sum()
    drawn = np.random.default_rng(seed).permutation(index)[: max(round(share * len(index)), 2)]
    train_rows: Mask = np.zeros(len(used), dtype=np.bool_)
    train_rows[drawn] = True
    rows = rows_of(data, train_rows)
    fitted = fit_sizes(recipe.family, [recipe.size], rows, hardware, seed)[recipe.size]
    program = quantise(fitted, recipe.bits, hardware, "random_rows")
    answers = given(fitted, program, context, used & ~train_rows, rows.label_range).answers
    return RandomRows(
        integer=score(answers, answers.level_mm),
        floats=score(answers, answers.float_mm),
        fit_share=float(f"{share:.6g}"),
        meaning=RANDOM_ROWS,
    )


def _canonical(data: FrozenData, used: Mask) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Indices of the used frames, sorted by content rather than by place, so that storage order draws no
    lots.
    """
    at = np.flatnonzero(used)
    order = np.lexsort((*data.counts[at].T[::-1], data.t_ms[at], data.level_mm[at], data.group[at]))
    return np.asarray(at[order], dtype=np.int64)


def _band(data: FrozenData) -> KeptBand:
    if data.frozen.group_by is GroupBy.TEMPERATURE:
        return KeptBand(False, NOT_DRAWN)
    groups, least = len(data.frozen.groups(Role.CALIBRATE)), fewest_groups(SHARE)
    reason = (
        "bands are not built in this version"
        if groups >= least
        else f"a 90 % band needs {least} calibrate groups, there are {groups}"
    )
    return KeptBand(False, reason)


def _recipe(chosen: FewPadCandidate, families: tuple[str, ...], context: SearchContext) -> dict[str, Any]:
    conditioning, frozen = chosen.fitted.conditioning, context.data.frozen
    return {
        **asdict(chosen.recipe),
        "families": list(families),
        "frozen": {"name": frozen.name, "sha256": frozen.sha256},
        "seed": context.request.seed,
        "board": stored_hardware(context.hardware),
        "trained_range": {"low": list(conditioning.low), "high": list(conditioning.high)},
        "law": None if conditioning.law is None else str(conditioning.law),
    }
