"""Which groups candidates are fitted and which they are scored on: the choose groups and fit groups left out
in parts, or groups left out of the fit where there are no choose groups.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dataset.errors import InputError
from dataset.records import FrozenData, GroupBy
from training.rows import Mask
from training.search.context import SearchContext

MOST_FOLDS = 12  # where groups are left out in turn
PARTS = 3  # in which fit groups are left out to learn what unseen units are like
FEWEST_IN_PARTS = 4  # fit and choose groups, below which short fits are scored on the choose groups alone
_CHOOSE_EVERY = 4  # of the fit groups, where they are left out once


@dataclass(frozen=True)
class Fold:
    """Frames to fit on and frames to score on."""

    fit: Mask
    score: Mask


@dataclass(frozen=True)
class Deal:
    """The folds that candidates are scored on, the context of the fits that count, and a sentence on both."""

    context: SearchContext
    folds: tuple[Fold, ...]
    how: str


def deal(context: SearchContext, *, in_turn: bool) -> Deal:
    """Score on the choose groups, and on the fit groups, each part by a fit to the others. Where there are no
    choose groups, leave every fit group out of its fit in turn, which takes as many fits (``in_turn``: they
    are short), or every fourth once and for all.

    Models whose fits are short need no fit without a group but to be scored: where groups are few, or are
    levels, which can't be left out in parts without extrapolating, theirs are scored on the choose groups
    alone. Raises InputError for too few groups.
    """
    choose = len(np.unique(context.data.group[context.choose]))
    if not choose:
        return _in_turn(context) if in_turn else _in_parts(*_once(context))
    how = f"scored on {choose} 'choose' groups"
    alone = _why_alone(context) if in_turn else ""
    if alone:
        return Deal(context, (Fold(context.fit, context.choose),), f"{how} alone: {alone}")
    return _in_parts(context, how)


def _why_alone(context: SearchContext) -> str:
    """Why the fit groups of short fits are not scored on; empty where they are."""
    data = context.data
    if data.frozen.group_by is GroupBy.LEVEL:
        return "a model fitted without a part of the levels would have to extrapolate"
    fit, choose = (len(np.unique(data.group[rows])) for rows in (context.fit, context.choose))
    if fit + choose >= FEWEST_IN_PARTS and fit > 1:
        return ""
    return f"{fit} 'fit' and {choose} 'choose' groups are too few to leave parts of the fit out as well"


def _in_parts(context: SearchContext, how: str) -> Deal:
    parts = parts_of_fit(context)
    groups = len(np.unique(context.data.group[context.fit]))
    how += f", and on {groups} 'fit' groups by cross-validation in {len(parts)} parts"
    return Deal(context, (Fold(context.fit, context.choose), *parts), how)


def parts_of_fit(context: SearchContext) -> tuple[Fold, ...]:
    """Each part of the fit groups to score on, the other parts to fit on."""
    data, fit = context.data, context.fit
    groups = np.unique(data.group[fit])
    parts = [fit & np.isin(data.group, groups[k::PARTS]) for k in range(min(PARTS, len(groups)))]
    return tuple(Fold(fit & ~part, part) for part in parts)


def _once(context: SearchContext) -> tuple[SearchContext, str]:
    data, fit = context.data, context.fit
    groups = np.unique(data.group[fit])
    if len(groups) < _CHOOSE_EVERY:
        where = f"frozen set '{data.frozen.name}'"
        raise InputError(
            where,
            f"{len(groups)} 'fit' groups and no 'choose' group",
            f"at least {_CHOOSE_EVERY} 'fit' groups, or 'choose' groups",
        )
    left_out = groups[::_CHOOSE_EVERY]
    taken = fit & np.isin(data.group, left_out)
    how = f"no 'choose' groups: scored on {len(left_out)} of {len(groups)} 'fit' groups, left out of the fit"
    return replace(context, fit=fit & ~taken, choose=taken), how


def _in_turn(context: SearchContext) -> Deal:
    data, fit = context.data, context.fit
    groups = _left_out_groups(data, fit)
    parts = [groups[k :: min(len(groups), MOST_FOLDS)] for k in range(min(len(groups), MOST_FOLDS))]
    folds = tuple(Fold(fit & ~np.isin(data.group, part), fit & np.isin(data.group, part)) for part in parts)
    how = f"no 'choose' groups: scored on {len(groups)} 'fit' groups, each left out of its fit in turn"
    if data.frozen.group_by is GroupBy.LEVEL:
        how += (
            "; the lowest and the highest level always stay in the fit, for without them the model "
            "would have to extrapolate"
        )
    if len(parts) < len(groups):
        how += f"; left out in {len(parts)} parts of several groups"
    return Deal(context, folds, how)


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
