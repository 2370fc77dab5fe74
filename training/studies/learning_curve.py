"""The learning curve of a tank change: errors on the new tank against the number of its units that were
fitted, with the earlier tank's sessions and without.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from dataset.errors import InputError, ProgramError
from dataset.pools import Task, as_asked
from dataset.records import FrozenData, Role
from training.judging.answers import meets_limits
from training.judging.comparing import whole_figures
from training.judging.scoring import tidy
from training.models.recipes import Hardware
from training.models.superposed import Superposition
from training.rows import Mask
from training.search.array_recipes import ArrayRecipe
from training.search.candidates import error_of
from training.search.context import SearchContext, SearchRequest
from training.search.kept_recipe import AnyKept
from training.search.nets.refitting import refit_any, spread_rows
from training.search.study_figures import (
    AllNew,
    AsGood,
    CurvePoint,
    LearningCurve,
    MoreUnits,
    Needed,
    ShortErrors,
)

TOGETHER, SUPERPOSED, ALONE = "old and new together", "old superposed on new", "new alone"
CURVE_STEPS, CURVE_ROWS = 30, 1200  # steps of a fit of the curve, and its frames of each tank
COUNTS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64)
FEWEST_POINTS, NEAR = 3, 0.1  # of a curve that is drawn on; how near its end counts as there
FEWEST_ALONE = 2  # what a unit not seen would do can't be learnt from one
ORDER = "fit units in one seeded order, each step holding the one before"

WayData = Callable[[Mask], FrozenData]  # the data of a way, given which rows of the new tank are fitted


def learning_curve(
    new: FrozenData,
    both: FrozenData | None,
    hardware: Hardware,
    recipe: AnyKept,
    request: SearchRequest,
    superposed: Superposition | None = None,
) -> LearningCurve:
    """Errors on the new tank's prove groups against the number of its units that were fitted, with the
    earlier sessions, with these superposed, and without; ``error_mm`` is the mean over classes of the P95.
    """
    short = shortened(recipe, CURVE_STEPS)
    fit = new.rows(Role.FIT)
    order = np.random.default_rng(request.seed).permutation(np.unique(new.group[fit]))
    counts = [n for n in COUNTS if n < len(order)] + [len(order)]
    ways = ways_of(new, both, superposed)
    jobs = [(way, n) for way in ways for n in counts if way != ALONE or n >= FEWEST_ALONE]
    asked = SearchContext(new, hardware, request, fit, fit).for_workers().request

    def tasks(share: Callable[[Any], Any]) -> Iterator[Task]:
        for way, n in jobs:
            fitted = fit & np.isin(new.group, order[:n])
            data, needed = ways[way](fitted), Needed(n, len(np.unique(new.session[fitted])))
            given = share(data), hardware, asked, thinned_rows(data, fitted)
            yield Task((way, n), _point, (*given, short, way, needed))

    rows: list[CurvePoint] = []
    points = as_asked(request.pool, tasks)
    for done, (way, _) in enumerate(jobs):
        request.progress(f"learning curve, {way}", done, len(jobs))
        rows.append(next(points))
    needed = {
        way: reached([row for row in rows if row.way == way], lambda row: row.reaches)
        for way in (TOGETHER, SUPERPOSED, ALONE)
        if way in ways or way != SUPERPOSED
    }
    return LearningCurve(
        rows=tuple(rows),
        needed=needed,
        ratio=_ratio(needed),
        as_good=_as_good(rows),
        choose_sessions=_sessions(new, Role.CHOOSE),
        steps=short.steps if isinstance(short, ArrayRecipe) else None,
        order=ORDER,
        prove_groups=len(np.unique(new.group[new.rows(Role.PROVE)])),
    )


def shortened(recipe: AnyKept, steps: int) -> AnyKept:
    """The recipe with at most so many steps of a fit; the curve of few pads takes none."""
    return replace(recipe, steps=min(recipe.steps, steps)) if isinstance(recipe, ArrayRecipe) else recipe


def ways_of(new: FrozenData, both: FrozenData | None, superposed: Superposition | None) -> dict[str, WayData]:
    """The ways that are fitted, those that can be had, and the data of each."""
    ways: dict[str, WayData] = {}
    if both is not None:
        ways[TOGETHER] = lambda fitted: both
    if superposed is not None:
        ways[SUPERPOSED] = superposed.on
    return ways | {ALONE: lambda fitted: new}


def more_units(rows: Sequence[CurvePoint], way: str) -> MoreUnits | None:
    """What further units would buy a way, by the least-squares line of its errors over 1 / units: the law of
    Cortes et al., Learning curves: asymptotic values and rate of convergence, NIPS 6 (1993), with its
    exponent taken as 1, from memory. None with fewer than FEWEST_POINTS, and where errors do not fall.
    """
    known = [(row.units, row.error_mm) for row in rows if row.way == way and row.error_mm is not None]
    if len(known) < FEWEST_POINTS:
        return None
    units, error = np.asarray(known, np.float64).T
    slope, end = np.polyfit(1 / units, error, 1)
    if slope <= 0 or end <= 0:
        return None
    most = int(units.max())
    further = max(int(np.ceil(slope / (NEAR * end))) - most, 0)
    return MoreUnits(way, most, tidy(error[-1]), tidy(end), further, NEAR)


def thinned_rows(data: FrozenData, fitted: Mask, most: int = CURVE_ROWS) -> Mask:
    """Rows of ``data`` to fit on: the new tank's ``fitted`` ones, which come first in ``data``, and all of
    the earlier tank where it has any, each spread thin to at most ``most``.
    """
    own: Mask = np.zeros(len(data.session), np.bool_)
    own[: len(fitted)] = fitted
    earlier: Mask = np.arange(len(own)) >= len(fitted)
    rows = spread_rows(data, own, most)
    return rows | spread_rows(data, earlier, most) if earlier.any() else rows


def _point(
    data: FrozenData,
    hardware: Hardware,
    request: SearchRequest,
    fit: Mask,
    recipe: AnyKept,
    way: str,
    fitted: Needed,
) -> CurvePoint:
    """One fit of the curve, judged on the new tank's prove groups."""
    context = SearchContext(data, hardware, request, fit, data.rows(Role.CHOOSE))
    try:
        refitted = refit_any(context, recipe)
    except (InputError, ProgramError) as error:
        return CurvePoint(
            way=way,
            units=fitted.units,
            sessions=fitted.sessions,
            error_mm=None,
            accepted_share=None,
            classes=None,
            false_wet=None,
            reaches=False,
            refused=str(error),
        )
    judged = refitted.judge(data, data.rows(Role.PROVE))
    figures = whole_figures(judged)
    return CurvePoint(
        way=way,
        units=fitted.units,
        sessions=fitted.sessions,
        error_mm=tidy_error(error_of(figures)),
        accepted_share=figures.classes["all"].accepted_share,
        classes={
            name: ShortErrors(row.p95_mm, row.p95_pct, row.accepted_share)
            for name, row in figures.classes.items()
        },
        false_wet=figures.false_wet.wrong,
        reaches=meets_limits(request.limits, figures),
        refused=None,
    )


def tidy_error(value: float) -> float | None:
    """The figure, None where nothing was accepted."""
    return tidy(value) if np.isfinite(value) else None


def reached(rows: Sequence[CurvePoint], holds: Callable[[CurvePoint], bool | None]) -> Needed | None:
    """The first of rows, in order, from which on it ``holds`` to the end; None where it never does."""
    first = None
    for row in reversed(rows):
        if not holds(row):
            break
        first = Needed(row.units, row.sessions)
    return first


def _ratio(needed: Mapping[str, Needed | None]) -> float | None:
    """New sessions needed with the earlier ones, as a share of those that starting anew needs."""
    with_old, anew = needed[TOGETHER], needed[ALONE]
    return None if with_old is None or anew is None else tidy(with_old.sessions / anew.sessions)


def _as_good(rows: Sequence[CurvePoint]) -> AsGood | None:
    """From how many new sessions on, with the earlier ones, the error is no larger than that of all new
    sessions alone.
    """
    alone = [
        AllNew(row.units, row.sessions, row.error_mm)
        for row in rows
        if row.way == ALONE and row.error_mm is not None
    ]
    if not alone:
        return None
    all_new = alone[-1]
    first = reached(
        [row for row in rows if row.way == TOGETHER],
        lambda row: row.error_mm is not None and row.error_mm <= all_new.error_mm,
    )
    return AsGood(all_new, first, None if first is None else tidy(first.sessions / all_new.sessions))


def _sessions(data: FrozenData, role: Role) -> int:
    return len(np.unique(data.session[data.rows(role)]))
