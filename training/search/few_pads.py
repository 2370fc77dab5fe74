"""The search: every recipe fitted and scored as an integer program, on groups that its fit has not seen."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from dataset.errors import InputError, ProgramError
from dataset.records import Budget, FrozenData, GroupBy, Limits, Role
from training.costs import Cost, CostModel, against
from training.judging.answers import meets
from training.judging.scoring import Answers, readings, score, tidy
from training.models.families import BITS, FAMILIES
from training.models.recipes import Fitted, Hardware, Recipe, fit_sizes, quantise
from training.program import LEVEL_UNITS_PER_MM, WITHHELD, Program, run
from training.rows import Ints, Mask, Rows, rows_of

Progress = Callable[[str, int, int], None]

MOST_FOLDS = 12
_MOST_MEASURED = 12
_WITH_QUANTISATION = (
    "; limits are compared with the integer error and the integers' departure from their own "
    "curve, added in quadrature"
)
_PATH_POINTS = 400
_AS_GOOD = 1.02  # without limits, a smaller model within this factor of the best score is as good


@dataclass(frozen=True)
class Candidate:
    """A recipe fitted on all fit groups, its program (None: not possible in these bits) and its figures on
    unseen groups.
    """

    recipe: Any  # a Recipe, or what another search tries; family, size and bits are what is shown of it
    fitted: Any
    program: Program | None
    integer: Mapping[str, Any]
    floating: Mapping[str, Any]
    meets: bool | None
    cost: Cost | None = None
    within: bool | None = None  # the budget; None: not measured
    refused: str = ""
    quantisation_error_mm: float = (
        0.0  # of the integers from the curve they stand for, along a filling of the tank
    )

    @property
    def error(self) -> float:
        """The choose error that candidates are compared by, departure included; infinite when
        there is none.
        """
        value = self.cautious["rmse_mm"] if self.integer else None
        return np.inf if value is None else float(value)

    @property
    def false_wets(self) -> int:
        """Episodes on the choose groups in which an empty tank was read as wet; 0 where nothing says what
        empty looks like.
        """
        return 0

    @property
    def cautious(self) -> dict[str, Any]:
        """The integer figures with ``quantisation_error_mm`` added in quadrature to the errors.

        Unseen groups lie where marks were taken; what few knots and narrow weights do between them, they
        cannot tell.
        """
        return dict(self.integer) | {
            metric: tidy(np.hypot(self.integer[metric], self.quantisation_error_mm))
            for metric in ("rmse_mm", "worst_group_rmse_mm")
            if self.integer.get(metric) is not None
        }

    def summary(self) -> dict[str, Any]:
        """The candidate as a row of the metrics."""
        row = {
            "family": self.recipe.family,
            "size": self.recipe.size,
            "bits": self.recipe.bits,
            "meets": self.meets,
        }
        cost = None if self.cost is None else cost_facts(self.cost)
        row |= {
            "departure_mm": tidy(self.quantisation_error_mm),
            "error_mm": tidy(self.error) if np.isfinite(self.error) else None,
        }
        row |= {
            "choose": {"integer": dict(self.integer), "float": dict(self.floating)},
            "cost": cost,
            "within_budget": self.within,
        }
        return row | ({"refused": self.refused} if self.refused else {})


@dataclass(frozen=True)
class Fold:
    """Frames to fit on and frames to score on."""

    fit: Mask
    score: Mask


def cost_facts(cost: Cost) -> dict[str, Any]:
    """A cost as JSON."""
    return {
        "core": cost.core,
        "flash": cost.flash,
        "flash_code": cost.flash_code,
        "flash_tables": cost.flash_tables,
        "flash_helpers": cost.flash_helpers,
        "ram": cost.ram,
        "stack": cost.stack,
        "stack_bound": cost.stack_bound,
        "cycles": cost.cycles,
        "cycles_mean": tidy(cost.cycles_mean),
        "cycles_bound": cost.cycles_bound,
    }


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
    made = tuple(Fold(fit & ~np.isin(data.group, deal), fit & np.isin(data.group, deal)) for deal in deals)
    how = f"no 'choose' groups: scored on {len(groups)} 'fit' groups, each left out of its fit in turn"
    if data.frozen.group_by is GroupBy.LEVEL:
        how += (
            "; the lowest and the highest level always stay in the fit, for without them the model "
            "would have to extrapolate"
        )
    if len(deals) < len(groups):
        how += f"; left out in {len(deals)} parts of several groups"
    return made, how + _WITH_QUANTISATION


def search(
    data: FrozenData,
    hardware: Hardware,
    name: str,
    families: Sequence[str],
    seed: int,
    limits: Limits | None,
    progress: Progress,
) -> tuple[list[Candidate], str]:
    """Fit and score every recipe of ``families``; candidates in order of estimated size, and how they were
    scored.
    """
    parts, how = folds(data)
    plan = [(family, FAMILIES[family].sizes(hardware.channels)) for family in families]
    rows = rows_of(data, data.rows(Role.FIT))
    path, found = _filling(rows), []
    total, done = len(plan) * (len(parts) + 1), 0
    for family, sizes in plan:
        answers: dict[tuple[int, int], list[Answers]] = {}
        for fold in parts:
            progress(family, done, total)
            for key, given in _fold_answers(data, fold, family, sizes, hardware, seed):
                answers.setdefault(key, []).append(given)
            done += 1
        fitted = fit_sizes(family, sizes, rows, hardware, seed)
        found += [
            _candidate(
                Recipe(family, size, bits),
                fitted[size],
                hardware,
                name,
                path,
                answers.get((size, bits), []),
                len(parts),
                limits,
            )
            for size in sizes
            for bits in BITS
        ]
        done += 1
        progress(family, done, total)
    return sorted(
        found,
        key=lambda c: (
            table_bytes(c.program) if c.program else np.inf,
            c.error,
            c.recipe.family,
            c.recipe.size,
            c.recipe.bits,
        ),
    ), how


def measured(
    candidates: list[Candidate], budget: Budget | None, cost: CostModel | None, progress: Progress
) -> list[Candidate]:
    """The same candidates, those worth compiling with their measured cost.

    Worth it are those that meet the limits (without limits: that are as good as the best), smallest estimate
    first, up to twelve; when none of them fits the budget, the others follow by their error until one fits.
    """
    if budget is None or cost is None:
        return candidates
    possible = [k for k, c in enumerate(candidates) if c.program is not None]
    best = min((candidates[k].error for k in possible), default=np.inf)
    good = [
        k
        for k in possible
        if candidates[k].meets or (candidates[k].meets is None and candidates[k].error <= best * _AS_GOOD)
    ]
    first = good[:_MOST_MEASURED]
    rest = [k for k in possible if k not in first]
    rest.sort(key=lambda k: (not candidates[k].meets, candidates[k].error))
    result, fits = list(candidates), False
    for n, k in enumerate((*first, *rest)):
        if n >= len(first) and fits:
            break
        progress("measuring the cost", n, len(first) or len(rest))
        program = candidates[k].program
        if program is not None:
            its = cost(program, budget)
            within = all(line.within for line in against(its, budget))
            result[k] = replace(candidates[k], cost=its, within=within)
            fits |= within
    return result


def pick(candidates: Sequence[Candidate], limits: Limits | None) -> tuple[Candidate, str]:
    """The chosen candidate and why, in a sentence. ``candidates`` come smallest estimate first."""
    possible = [c for c in candidates if c.program is not None]
    if not possible:
        reasons = "; ".join(sorted({c.refused for c in candidates}))
        raise InputError(
            "training",
            f"no family can be written in integers here ({reasons})",
            "at least one candidate",
            "check the counts and labels",
        )
    priced = any(c.cost is not None for c in possible)
    fitting = [c for c in possible if c.within] if priced else possible
    if not fitting:
        return min(
            (c for c in possible if c.cost is not None), key=_flash
        ), "no candidate fits the budget; the smallest is given"
    size = "flash" if priced else "estimated flash"
    fewest = min(c.false_wets for c in fitting)  # a pump that runs dry is worse than millimetres
    dry_safe = [c for c in fitting if c.false_wets == fewest]
    if limits is None:
        best = min(c.error for c in dry_safe)
        near = [c for c in dry_safe if c.error <= best * _AS_GOOD]
        return min(
            near, key=_flash
        ), f"no limits were given: the smallest by {size} within 2 % of the best choose error"
    good = [c for c in fitting if c.meets]
    if good:
        return min(
            good, key=_flash
        ), f"the smallest by {size} of {len(good)} candidates that meet the limits" + (
            " and fit the budget" if priced else ""
        )
    nearest = min(dry_safe, key=lambda c: c.error)
    why = (
        f"no candidate meets the limits; the nearest is {nearest.recipe.family} {nearest.recipe.size} with "
        f"{nearest.recipe.bits} bits"
    )
    if any(c.meets for c in possible):
        why = (
            "no candidate that fits the budget meets the limits; the nearest is "
            f"{nearest.recipe.family} {nearest.recipe.size}"
        )
    return nearest, why


def _flash(candidate: Candidate) -> tuple[int, float]:
    assert candidate.program is not None
    return (
        table_bytes(candidate.program) if candidate.cost is None else candidate.cost.flash
    ), candidate.error


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


def _fold_answers(
    data: FrozenData, fold: Fold, family: str, sizes: Sequence[int], hardware: Hardware, seed: int
) -> Iterator[tuple[tuple[int, int], Answers]]:
    """Answers of one family on one fold, by size and bits; what cannot be quantised gives none."""
    rows = rows_of(data, fold.fit)
    for size, fitted in fit_sizes(family, sizes, rows, hardware, seed).items():
        for bits in BITS:
            try:
                program = quantise(fitted, bits, hardware, "candidate")
            except ProgramError:
                continue
            yield (size, bits), answers_of(fitted, program, data, fold.score, rows.label_range)


def answers_of(
    fitted: Fitted, program: Program, data: FrozenData, chosen: Mask, label_range: tuple[float, float]
) -> Answers:
    """What program and float pipeline say of the chosen frames."""
    level, accepted = readings(program, data, chosen)
    label = data.level_mm[chosen]
    inside = (label >= label_range[0]) & (label <= label_range[1])
    return Answers(label, data.group[chosen], level, fitted.levels(data.counts[chosen]), accepted, inside)


def joined_answers(parts: Sequence[Answers]) -> Answers:
    """Answers of several folds as one."""
    return Answers(
        *(np.concatenate([getattr(p, field) for p in parts]) for field in Answers.__dataclass_fields__)
    )


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
    its = run(program, path)
    accepted = its.validity != WITHHELD
    rounding = its.level[accepted] / LEVEL_UNITS_PER_MM - fitted.levels(path[accepted])
    return float(
        np.hypot(
            fitted.pipeline.named_steps["model"].quantisation_error_mm,
            np.sqrt(np.mean(rounding**2)) if accepted.any() else 0.0,
        )
    )


def _candidate(
    recipe: Recipe,
    fitted: Fitted,
    hardware: Hardware,
    name: str,
    path: Ints,
    answers: Sequence[Answers],
    parts: int,
    limits: Limits | None,
) -> Candidate:
    """A recipe counts only when every fold could be written in integers, and so can the final fit."""
    try:
        program = quantise(fitted, recipe.bits, hardware, name)
    except ProgramError as error:
        return Candidate(recipe, fitted, None, {}, {}, None if limits is None else False, refused=str(error))
    if len(answers) < parts:
        return Candidate(
            recipe,
            fitted,
            None,
            {},
            {},
            None if limits is None else False,
            refused="not possible in integers on every fold",
        )
    its = joined_answers(answers)
    made = Candidate(
        recipe,
        fitted,
        program,
        score(its, its.level_mm),
        score(its, its.float_mm),
        None,
        quantisation_error_mm=_quantisation_error(fitted, program, path),
    )
    return replace(made, meets=meets(limits, made.cautious))
