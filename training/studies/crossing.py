"""Which way to serve a new tank, by cross-validation over its units: every fit and choose unit is left out
once, each way is fitted without it and judged on it. The units to choose on by themselves are too few to
tell, and they have set each way's thresholds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import t as student

from dataset.errors import InputError, ProgramError
from dataset.pools import Task, as_asked
from dataset.records import FrozenData, GroupBy, Limits, Role
from training.judging.answers import meets_limits
from training.judging.class_figures import errors
from training.judging.comparing import whole_figures
from training.judging.judged import Judged, joined
from training.judging.scoring import tidy
from training.models.recipes import Hardware
from training.rows import Floats, Mask
from training.search.candidates import error_of
from training.search.context import SearchContext, SearchRequest
from training.search.kept_recipe import AnyKept
from training.search.nets.refitting import refit_any
from training.search.study_figures import CrossedWay, Picking
from training.studies.learning_curve import WayData, thinned_rows, tidy_error

MOST_PARTS = 4  # a fit of each way a part: more take longer and leave out little less
FEWEST_UNITS = 4  # two to fit, one to choose on, one left out
# of each tank, in as many steps as a refit: shorter fits put all ways behind a model that was fitted whole,
# and tell ways apart by how soon they are learnt
MOST_ROWS = 3000
LEAVING_OUT = "leaving units out"
SURE = 0.9  # a way that is ahead with less than this may be so by chance
HOW = (
    "every fit and choose unit of the new tank left out once, in {parts} parts; a way is behind "
    "by the mean over units of the difference of errors, and sure by Student's t of these differences"
)


@dataclass(frozen=True)
class Part:
    """Units left out together, those that set thresholds meanwhile, and those fitted: masks of the new tank's
    rows, (n,).
    """

    out: Mask
    choose: Mask
    fit: Mask


def parts_of_units(new: FrozenData, seed: int) -> tuple[Part, ...]:
    """Parts of the fit and choose units in a seeded order; of the units that remain, as large a share sets
    thresholds as in the set, at least one. None with fewer than FEWEST_UNITS units, and where groups are
    levels: without those at the ends a curve would have to extrapolate.
    """
    used = new.rows(Role.FIT) | new.rows(Role.CHOOSE)
    order = np.random.default_rng(seed).permutation(np.unique(new.group[used]))
    if len(order) < FEWEST_UNITS or new.frozen.group_by is GroupBy.LEVEL:
        return ()
    to_choose = len(np.unique(new.group[new.rows(Role.CHOOSE)])) / len(order)
    count = min(len(order), MOST_PARTS)
    parts = []
    for part in range(count):
        out = order[part::count]
        others = np.roll(order[~np.isin(order, out)], part)
        choosing = min(max(round(to_choose * len(others)), 1), len(others) - 2)
        parts.append(
            Part(
                *(used & np.isin(new.group, some) for some in (out, others[:choosing], others[choosing:])),
            )
        )
    return tuple(parts)


def crossed(
    new: FrozenData,
    ways: Mapping[str, WayData],
    as_it_is: Mapping[str, Judged],
    hardware: Hardware,
    recipe: AnyKept,
    request: SearchRequest,
) -> Picking | None:
    """Errors of each way on units left out, best first, and the way to favour; None with too few units.

    ``as_it_is``: ways that take no fit, judged on the fit and choose rows of ``new``. A way that can't be
    fitted in every part has no error.
    """
    parts = parts_of_units(new, request.seed)
    if not parts:
        return None
    jobs = [(name, part) for name in ways for part in parts]
    judged: dict[str, list[Judged | None]] = {name: [] for name in ways}
    request.progress(LEAVING_OUT, 0, len(jobs))

    def tasks(share: Callable[[Any], Any]) -> Iterator[Task]:
        for k, (name, part) in enumerate(jobs):
            given = _context(new, ways[name](part.fit), part, hardware, request)
            asked = given.hardware, given.request, given.fit, given.choose
            yield Task((name, k), _left_out, (share(given.data), *asked, part.out, recipe))

    results = as_asked(request.pool, tasks)
    for done, ((name, _), one) in enumerate(zip(jobs, results, strict=True), 1):
        judged[name].append(one)
        request.progress(LEAVING_OUT, done, len(jobs))
    whole = dict(as_it_is)
    for name, some in judged.items():
        known = [one for one in some if one is not None]
        if len(known) == len(parts):
            whole[name] = joined(known)
    return picking_of(whole, request.limits, len(parts))


def _context(
    new: FrozenData, data: FrozenData, part: Part, hardware: Hardware, request: SearchRequest
) -> SearchContext:
    """A fit without the part: on the data of a way, for another process."""
    fit = thinned_rows(data, part.fit, MOST_ROWS) & ~_of_units(data, new, part.out | part.choose)
    choose = _widened(part.choose, len(data.session))
    return SearchContext(data, hardware, request, fit, choose).for_workers()


def _left_out(
    data: FrozenData,
    hardware: Hardware,
    request: SearchRequest,
    fit: Mask,
    choose: Mask,
    out: Mask,
    recipe: AnyKept,
) -> Judged | None:
    """What a way fitted without a part says of it; None where it can't be fitted."""
    context = SearchContext(data, hardware, request, fit, choose)
    try:
        refitted = refit_any(context, recipe)
    except (InputError, ProgramError):
        return None
    return refitted.judge(data, _widened(out, len(data.session)))


def _widened(rows: Mask, count: int) -> Mask:
    """Rows of the new tank, which come first, among ``count`` rows."""
    return np.concatenate([rows, np.zeros(count - len(rows), np.bool_)])


def _of_units(data: FrozenData, new: FrozenData, rows: Mask) -> Mask:
    """Rows of ``data`` of the same units as those ``rows`` of ``new``, whichever tank they are of."""
    units = {new.frozen.sessions[int(s)].unit.key for s in np.unique(new.session[rows])}
    mine = np.asarray([s.unit.key in units for s in data.frozen.sessions], np.bool_)
    return np.asarray(mine[data.session], np.bool_)


def picking_of(judged: Mapping[str, Judged], limits: Limits | None, parts: int) -> Picking:
    """Ways judged on the same rows, and which to favour: the first by limits and error, unless others may be
    as good: of these the one with the fewest false wets, then with the best worst unit.
    """
    figures = {name: whole_figures(one) for name, one in judged.items()}
    misses = {name: meets_limits(limits, one) is False for name, one in figures.items()}
    ranked = sorted(figures, key=lambda name: (misses[name], error_of(figures[name])))
    by_unit = {name: unit_errors(one) for name, one in judged.items()}
    best, rows = ranked[0], []
    for name in ranked:
        behind, sure = _behind(by_unit[name], by_unit[best]) if name != best else (None, None)
        rows.append(
            CrossedWay(
                way=name,
                error_mm=tidy_error(error_of(figures[name])),
                worst_unit_mm=tidy_error(float(by_unit[name].max())),
                accepted_share=figures[name].classes["all"].accepted_share,
                false_wet=figures[name].false_wet.wrong,
                within=None if limits is None else not misses[name],
                behind_mm=behind,
                sure=sure,
            )
        )
    as_good = [row for row in rows if may_be_as_good(row, rows[0])]
    safest = min(
        as_good, key=lambda row: (row.false_wet, np.inf if row.worst_unit_mm is None else row.worst_unit_mm)
    )
    units = len(next(iter(by_unit.values())))
    return Picking(
        tuple(rows), safest.way, tuple(row.way for row in as_good), units, parts, HOW.format(parts=parts)
    )


def may_be_as_good(row: CrossedWay, best: CrossedWay) -> bool:
    """Whether a way that is behind the best may be so by chance."""
    if row.way == best.way:
        return True
    return row.error_mm is not None and row.within == best.within and (row.sure is None or row.sure < SURE)


def unit_errors(judged: Judged) -> Floats:
    """Of each group, in order of name, the mean over clean, foam and film of the P95 in mm, (groups,);
    infinite where nothing was accepted.
    """
    groups, classes = judged.places["group"], judged.classes()
    named = [classes[name] for name in ("clean", "foam", "film") if name in classes]
    named = named or [np.ones(len(groups), np.bool_)]
    return np.asarray(
        [_of_group(judged, [rows & groups.rows_of(g) for rows in named]) for g in groups.found()]
    )


def _of_group(judged: Judged, classes: Sequence[Mask]) -> float:
    p95 = [errors(judged, rows).p95_mm for rows in classes if rows.any()]
    known = [value for value in p95 if value is not None]
    return float(np.mean(known)) if known and len(known) == len(p95) else float("inf")


def _behind(errors: Floats, best: Floats) -> tuple[float | None, float | None]:
    """By how much more a way errs, mean over units in mm, and how sure it is that it does, 0 to 1: one-sided
    Student's t of paired differences (Student, Biometrika 6 (1908) 1).
    """
    more = errors - best
    if not np.isfinite(more).all():
        return None, None
    spread = float(more.std(ddof=1) / np.sqrt(len(more))) if len(more) > 1 else 0.0
    mean = float(more.mean())
    sure = float(student.cdf(mean / spread, len(more) - 1)) if spread > 0 else float(mean > 0)
    return tidy(mean), tidy(sure)
