"""Which candidate: those that meet the limits are measured, and of those that fit the budget too the
smallest that is as sure as the surest is taken.

How sure: groups differ, so that what is met on some is missed on others. Figures of a class are taken to
spread from group to group by a normal law; the chance that the mean of as many new groups as are to prove
stays within a bound is Student's t with the spread of both means, and the chances of all rows are multiplied.
Two candidates are told apart by the differences of their groups' errors, in pairs (Student, Biometrika 6
(1908) 1).
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from contextlib import closing
from dataclasses import replace
from typing import TypeVar

import numpy as np
from scipy.stats import t as student

from dataset.errors import InputError
from dataset.pools import HERE, Task, as_asked
from dataset.records import Limit, Limits
from training.costs import Cost, CostModel, against
from training.judging.answers import bound_of
from training.judging.scoring import tidy
from training.rows import Floats
from training.search.candidates import Candidate, Refused, table_bytes, weight_bytes
from training.search.context import SearchRequest
from training.search.metrics import AgainstNext

_MOST_MEASURED = 12
_AS_GOOD = 1.02  # without limits, a smaller model within this factor of the best score is as good
_AS_SURE = 0.05  # with limits, a smaller one whose chance to keep them is that close to the surest's
_SHARE = 0.95  # of an interval
_CLASSES = ("clean", "foam", "film")  # whose errors candidates are compared by; all, where there are none
_NORMAL_P95 = 1.96  # of a normal error the P95 of its size, in standard deviations

C = TypeVar("C", bound=Candidate)


def measured(candidates: Sequence[C | Refused], request: SearchRequest) -> list[C | Refused]:
    """The same candidates, those worth compiling with their measured cost, where there is a budget.

    Measured are those that meet the limits (without limits: those as good as the best), smallest estimate
    first, up to twelve; when none of them fits the budget, the others follow by their error until one fits.
    Where none does at all, they are measured for the leanest firmware, if one of them fits that.
    """
    priced = _priced(candidates, request, request.cost)
    if request.leanest is None or any(not isinstance(c, Refused) and c.within for c in priced):
        return priced
    lean = _priced(candidates, request, request.leanest, leanest=True)
    return lean if any(not isinstance(c, Refused) and c.within for c in lean) else priced


def _priced(
    candidates: Sequence[C | Refused],
    request: SearchRequest,
    cost: CostModel | None,
    *,
    leanest: bool = False,
) -> list[C | Refused]:
    """The candidates with what ``cost`` says of those worth it."""
    result: list[C | Refused] = list(candidates)
    budget = request.budget
    if budget is None or cost is None:
        return result
    possible = {k: c for k, c in enumerate(candidates) if not isinstance(c, Refused)}
    best = min((c.error for c in possible.values()), default=np.inf)
    # one whose weights alone are too many need not be compiled to be told so
    small = {k: c for k, c in possible.items() if weight_bytes(c.program) <= budget.flash_bytes}
    possible = small or possible
    good = [k for k, c in possible.items() if c.meets or (c.meets is None and c.error <= best * _AS_GOOD)]
    first = good[:_MOST_MEASURED]
    rest = [k for k in possible if k not in first]
    rest.sort(key=lambda k: (not possible[k].meets, possible[k].error))

    def prices(some: Sequence[int]) -> Generator[tuple[int, Cost]]:
        tasks = [Task(k, cost, (possible[k].program, budget)) for k in some]
        if some:
            request.progress("measuring the cost", 0, len(some))
        for n, price in enumerate(as_asked(request.pool if len(tasks) > 1 else HERE, lambda share: tasks), 1):
            request.progress("measuring the cost", n, len(some))
            yield some[n - 1], price

    def keep(k: int, price: Cost) -> bool:
        within = all(line.within for line in against(price, budget))
        result[k] = replace(possible[k], cost=price, within=within, leanest=leanest)
        return within

    fit = [keep(k, price) for k, price in prices(first)]
    if not any(fit):
        with closing(prices(rest)) as others:
            any(keep(k, price) for k, price in others)  # until one fits
    return result


def pick(candidates: Sequence[C | Refused], limits: Limits | None) -> tuple[C, str]:
    """The chosen candidate and why, in a sentence. ``candidates`` come smallest estimate first.

    Raises InputError where all were refused.
    """
    possible = [c for c in candidates if not isinstance(c, Refused)]
    if not possible:
        reasons = "; ".join(sorted({c.reason for c in candidates if isinstance(c, Refused)}))
        raise InputError(
            "training",
            f"no family can be written in integers here ({reasons})",
            "at least one candidate",
            "check the counts and labels",
        )
    priced = any(c.cost is not None for c in possible)
    fitting = [c for c in possible if c.within] if priced else possible
    if not fitting:
        smallest = min((c for c in possible if c.cost is not None), key=_flash)
        return smallest, "no candidate fits the budget; the smallest is given"
    size = "flash" if priced else "estimated flash"
    fewest = min(c.false_wets for c in fitting)  # a pump that runs dry is worse than millimetres
    dry_safe = [c for c in fitting if c.false_wets == fewest]
    if limits is None:
        best = min(dry_safe, key=lambda c: c.error)
        near = [c for c in dry_safe if c.error <= best.error * _AS_GOOD or not _surely_worse(c, best)]
        if len(candidates) == 1:
            return near[0], "no limits were given, and there is one candidate"
        why = f"no limits were given: the smallest by {size} within 2 % of the best choose error"
        return min(near, key=_flash), why + ", or not surely worse than that"
    good = [c for c in fitting if c.meets]
    if good:
        surest = max(_sure(c) for c in good)
        near = [c for c in good if _sure(c) >= surest - _AS_SURE]
        if len(good) > 1:
            why = f"the smallest by {size} of {len(good)} candidates that meet the limits"
            why += " and fit the budget" if priced else ""
        else:
            beside = "" if len(candidates) == 1 else f" of {len(candidates)}"
            why = f"the only candidate{beside} that meets the limits"
            why += " and fits the budget" if priced else ""
        if len(near) < len(good):
            below = f"at most {100 * _AS_SURE:g} points below the best"
            why += f", of the {len(near)} of them whose chance is {below}"
        picked = min(near, key=_flash)
        return picked, why + _chance(picked)
    nearest = min(dry_safe, key=lambda c: c.error)
    return nearest, _why_nearest(nearest, met=any(c.meets for c in possible))


def _sure(candidate: Candidate) -> float:
    return 1.0 if candidate.sure is None else candidate.sure


def _chance(candidate: Candidate) -> str:
    if candidate.sure is None:
        return ""
    chance = f"{candidate.sure:.2g}"
    return f"; the chance that the groups to prove keep the limits on errors and shares is {chance}"


def sureness(candidate: Candidate, limits: Limits | None, proving: int) -> float | None:
    """The chance that ``proving`` new groups keep the limits on errors and shares of classes; None without
    such limits, or with fewer than two groups to tell it by.
    """
    chances = [] if limits is None else [_kept_chance(candidate, row, proving) for row in limits.rows]
    known = [chance for chance in chances if chance is not None]
    return float(np.prod(known)) if known else None


def _kept_chance(candidate: Candidate, row: Limit, proving: int) -> float | None:
    figures, groups = candidate.cautious, candidate.groups
    place = figures.classes.get(row.condition)
    if groups is None or place is None or row.condition not in groups.given:
        return None
    bound = bound_of(row, figures.span_mm)
    if row.metric == "withheld_share" and place.accepted_share is not None:
        value, each = 1 - place.accepted_share, 1 - groups.given[row.condition]
    elif row.metric in ("p95_abs_mm", "p95_pct_span") and place.p95_mm is not None and figures.span_mm:
        value, each = place.p95_mm, _cautious(candidate, groups.p95_mm[row.condition])
        bound = bound if row.metric == "p95_abs_mm" else bound * figures.span_mm / 100
    else:
        return None
    each = each[np.isfinite(each)]
    if len(each) < 2:
        return None
    spread = float(each.std(ddof=1)) * (1 / len(each) + 1 / max(proving, 1)) ** 0.5
    if spread <= 0:
        return float(value <= bound)
    return float(student.cdf((bound - value) / spread, len(each) - 1))


def _cautious(candidate: Candidate, p95_mm: Floats) -> Floats:
    return np.asarray(np.hypot(p95_mm, _NORMAL_P95 * candidate.quantisation_error_mm), np.float64)


def _differences(one: Candidate, other: Candidate) -> Floats:
    """By how much ``one`` errs more, mm, in each group that both gave readings of."""
    if one.groups is None or other.groups is None:
        return np.zeros(0)
    common = sorted(set(one.groups.groups) & set(other.groups.groups))
    a, b = ([side.groups.index(name) for name in common] for side in (one.groups, other.groups))
    held = one.groups.p95_mm.keys() & other.groups.p95_mm.keys()
    names = [name for name in _CLASSES if name in held] or ["all"]
    apart = np.asarray(
        [
            _cautious(one, one.groups.p95_mm[name][a]) - _cautious(other, other.groups.p95_mm[name][b])
            for name in names
        ]
    )
    known = np.isfinite(apart)
    sums, counts = np.where(known, apart, 0.0).sum(axis=0), known.sum(axis=0)
    return np.asarray(sums[counts > 0] / counts[counts > 0], np.float64)


def _surely_worse(one: Candidate, best: Candidate) -> bool:
    """Whether the mean difference of the groups is more than its standard error; with fewer than three groups
    nothing is known of that, and the difference counts.
    """
    each = _differences(one, best)
    return len(each) < 3 or bool(each.mean() > each.std(ddof=1) / len(each) ** 0.5)


def against_next(candidates: Sequence[C | Refused], picked: C, limits: Limits | None) -> AgainstNext | None:
    """How the picked one errs beside the next: of the others that meet limits and budget as it does the
    surest, else the one of least error. None where there is none, or fewer than two groups in common.
    """
    possible = [c for c in candidates if not isinstance(c, Refused) and c is not picked]
    others = [c for c in possible if (c.within, c.meets) == (picked.within, picked.meets)]
    if not others:
        return None
    by_sure = limits is not None and picked.meets
    other = min(others, key=lambda c: (-_sure(c) if by_sure else 0.0, c.error))
    each = _differences(picked, other)
    if len(each) < 2:
        return None
    mean = float(each.mean())
    half = float(student.ppf((1 + _SHARE) / 2, len(each) - 1) * each.std(ddof=1) / len(each) ** 0.5)
    return AgainstNext(other.name, tidy(mean), tidy(mean - half), tidy(mean + half), len(each))


_BY = "on the groups to choose by"  # on those to prove it may meet them


def _why_nearest(nearest: Candidate, *, met: bool) -> str:
    """Why a candidate is taken that misses the limits; ``met``: another meets them, over the budget."""
    recipe = nearest.recipe
    if met:
        return (
            f"no candidate that fits the budget meets the limits {_BY}; the nearest is "
            f"{recipe.family} {recipe.size}"
        )
    return (
        f"no candidate meets the limits {_BY}; the nearest is {recipe.family} {recipe.size} with "
        f"{recipe.bits} bits"
    )


def _flash(candidate: Candidate) -> tuple[int, float]:
    return (
        table_bytes(candidate.program) if candidate.cost is None else candidate.cost.flash
    ), candidate.error


def next_step(candidates: Sequence[Candidate | Refused], picked: Candidate) -> str:
    """What the next candidate up the front would buy, in a sentence."""
    if picked.cost is None:
        return "no budget was given: sizes were not measured"
    larger = [
        (c, c.cost)
        for c in candidates
        if not isinstance(c, Refused)
        and c.cost is not None
        and c.cost.flash > picked.cost.flash
        and c.error < picked.error
    ]
    if not larger:
        return "no larger candidate that was measured has a smaller choose error"
    step, cost = min(larger, key=lambda pair: pair[1].flash)
    return (
        f"{step.recipe.family} {step.recipe.size} with {step.recipe.bits} bits: "
        f"{cost.flash - picked.cost.flash} B more flash and {cost.cycles - picked.cost.cycles:+d} "
        f"cycles for a choose error of {step.error:.3g} mm in place of {picked.error:.3g} mm"
    )
