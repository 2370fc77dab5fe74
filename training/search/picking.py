"""Which candidate: those worth it are measured, and the smallest that meets the limits and fits the budget is
taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np

from dataset.errors import InputError
from dataset.records import Limits
from training.costs import CostModel, against
from training.search.candidates import Candidate, Refused, table_bytes, weight_bytes
from training.search.context import SearchRequest

_MOST_MEASURED = 12
_AS_GOOD = 1.02  # without limits, a smaller model within this factor of the best score is as good

C = TypeVar("C", bound=Candidate)


def measured(candidates: Sequence[C | Refused], request: SearchRequest) -> list[C | Refused]:
    """The same candidates, those worth compiling with their measured cost, where there is a budget.

    Worth it are those that meet the limits (without limits: that are as good as the best), smallest estimate
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
    fits = False
    for n, k in enumerate((*first, *rest)):
        if n >= len(first) and fits:
            break
        request.progress("measuring the cost", n, len(first) or len(rest))
        price = cost(possible[k].program, budget)
        within = all(line.within for line in against(price, budget))
        result[k] = replace(possible[k], cost=price, within=within, leanest=leanest)
        fits |= within
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
        best = min(c.error for c in dry_safe)
        near = [c for c in dry_safe if c.error <= best * _AS_GOOD]
        why = f"no limits were given: the smallest by {size} within 2 % of the best choose error"
        return min(near, key=_flash), why
    good = [c for c in fitting if c.meets]
    if good:
        why = f"the smallest by {size} of {len(good)} candidates that meet the limits"
        return min(good, key=_flash), why + (" and fit the budget" if priced else "")
    nearest = min(dry_safe, key=lambda c: c.error)
    return nearest, _why_nearest(nearest, met=any(c.meets for c in possible))


def _why_nearest(nearest: Candidate, *, met: bool) -> str:
    """Why a candidate is taken that misses the limits; ``met``: another meets them, over the budget."""
    recipe = nearest.recipe
    if met:
        return (
            "no candidate that fits the budget meets the limits; the nearest is "
            f"{recipe.family} {recipe.size}"
        )
    return (
        f"no candidate meets the limits; the nearest is {recipe.family} {recipe.size} with {recipe.bits} bits"
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
        return "no larger candidate that was measured has a smaller error"
    step, cost = min(larger, key=lambda pair: pair[1].flash)
    return (
        f"{step.recipe.family} {step.recipe.size} with {step.recipe.bits} bits: "
        f"{cost.flash - picked.cost.flash} B more flash and {cost.cycles - picked.cost.cycles:+d} "
        f"cycles for a choose error of {step.error:.3g} mm in place of {picked.error:.3g} mm"
    )
