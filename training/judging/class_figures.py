"""Figures by class from what a program said of labelled frames.

Errors are of accepted readings. All groups are weighted equally in shares, means and quantiles, which are the
claim; the same pooled over frames stands beside them. An episode is one session's frames of a class in a row.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.stats import beta

from training.judging.figures import (
    BandFigures,
    Beyond,
    ClassFigures,
    Episodes,
    Figures,
    FlaggedErrors,
    FlagRates,
    Joint,
    WorstGroup,
)
from training.judging.judged import Judged
from training.judging.scoring import tidy
from training.models.operating import WET_SPAN_SHARE
from training.program import EMPTY, FLAG_BITS
from training.rows import Floats, Mask

JOINT_SHARE = 0.02  # of the span: a level no further off is right in the joint score; our own judgement


def figures_of(judged: Judged) -> Figures:
    """All figures: by class, by place, rates with bounds, longest runs."""
    classes = judged.classes()
    liquid, recognised = ~judged.states.empty, _recognised(judged)
    by: dict[str, dict[str, ClassFigures]] = {}
    for place, names in judged.places.items():
        if place in ("session", "group"):
            continue
        named = {name: errors(judged, liquid & names.rows_of(name)) for name in names.found()}
        by[place] = {name: row for name, row in named.items() if row.frames}
    return Figures(
        classes={name: errors(judged, rows) for name, rows in classes.items()}
        | {"all": errors(judged, np.ones(len(judged.label_mm), np.bool_))},
        by=by,
        span_mm=judged.span_mm,
        false_wet=episodes(judged, judged.states.empty, judged.false_wet),
        false_wet_by={
            name: episodes(judged, rows, judged.false_wet) for name, rows in _empties(judged).items()
        },
        false_dry=episodes(judged, judged.label_mm > WET_SPAN_SHARE * judged.span_mm, judged.false_dry),
        dry_recognised_share=None if recognised is None else tidy(recognised.mean()),
        dry_recognised_least=None if recognised is None else tidy(recognised.min()),
        flags={
            name: flag_rates(judged, name, truth)
            for name, truth in (("foam", judged.states.foam), ("film", judged.states.film))
        },
        joint=joint(judged),
        longest_withheld_s=longest_s(judged, ~judged.accepted),
        longest_wrong_s=longest_s(
            judged,
            judged.accepted & (np.abs(np.nan_to_num(judged.error_mm)) > WET_SPAN_SHARE * judged.span_mm),
        ),
        hysteresis_mm=hysteresis(judged),
        band=coverage(judged),
        beyond=_beyond(judged),
        power_on=judged.power_on,
        ordered=judged.ordered or None,
    )


def _empties(judged: Judged) -> dict[str, Mask]:
    """Rows of an empty tank by what is on its wall: nothing, a film, drops."""
    drops = judged.stated.get("drops", np.zeros(len(judged.frame), np.bool_))
    kinds = {
        "dry": judged.states.dry,
        "film": judged.states.empty & judged.states.film & ~drops,
        "drops": judged.states.empty & drops,
    }
    return {name: rows for name, rows in kinds.items() if rows.any()}


def _recognised(judged: Judged) -> Floats | None:
    """The share of a dry tank's frames that is called empty, by group; None without such frames, and of a
    program that calls none empty.
    """
    rows = judged.states.dry
    measured = judged.calls_empty and rows.any()
    return group_means(judged, rows, judged.validity == EMPTY) if measured else None


def _beyond(judged: Judged) -> Beyond | None:
    """Frames with a label beyond those of the fit, and the share of them that was accepted all the same."""
    if judged.known_mm is None:
        return None
    rows = (judged.label_mm < judged.known_mm[0]) | (judged.label_mm > judged.known_mm[1])
    groups = len(judged.places["group"][rows].found())
    share = tidy(group_means(judged, rows, judged.accepted).mean()) if groups else None
    return Beyond(int(rows.sum()), share, groups)


def group_means(judged: Judged, rows: Mask, values: Any) -> Floats:
    """The mean of ``values`` (n,) over each group's ``rows``, (groups with such rows,)."""
    _, of = judged.places["group"][rows].numbered()
    return np.asarray(np.bincount(of, np.asarray(values, np.float64)[rows]) / np.bincount(of), np.float64)


def errors(judged: Judged, rows: Mask) -> ClassFigures:
    """Errors of the accepted readings of ``rows``, in mm and % of span, with the label's uncertainty, the
    groups and the worst of them.

    All groups weighted equally; ``frames_p95_mm`` and ``frames_accepted_share`` pool the frames. ``worst``:
    of each figure the worst group's.
    """
    used = rows & judged.accepted
    if not rows.any():
        return ClassFigures(0, 0, None)
    shares = group_means(judged, rows, judged.accepted)
    without = ClassFigures(
        frames=int(rows.sum()),
        groups=len(shares),
        accepted_share=tidy(shares.mean()),
        frames_accepted_share=tidy(judged.accepted[rows].mean()),
        worst=WorstGroup(tidy(1 - shares.min())),
    )
    return _with_errors(without, judged, used) if used.any() else without


def _with_errors(without: ClassFigures, judged: Judged, used: Mask) -> ClassFigures:
    """Figures of readings with the errors of those that are ``used``."""
    names, of = judged.places["group"][used].numbered()
    error, weights = judged.error_mm[used], 1 / np.bincount(of)[of]
    size = np.abs(error)
    each = [size[of == k] for k in range(len(names))]
    p95 = [float(np.quantile(one, 0.95)) for one in each]
    name = max(range(len(names)), key=lambda k: (p95[k], names[k]))
    p50, pooled = (float(np.quantile(size, q, weights=weights, method="inverted_cdf")) for q in (0.5, 0.95))
    squares = group_means(judged, used, np.nan_to_num(judged.error_mm) ** 2)
    known = judged.u_mm[used]
    worst = WorstGroup(
        withheld_share=None if without.worst is None else without.worst.withheld_share,
        p50_mm=tidy(max(np.median(one) for one in each)),
        p95_mm=tidy(max(p95)),
        max_mm=tidy(size.max()),
        rmse_mm=tidy(np.sqrt(squares.max())),
    )
    return replace(
        without,
        worst=worst,
        p50_mm=tidy(p50),
        p95_mm=tidy(pooled),
        max_mm=tidy(size.max()),
        bias_mm=tidy(group_means(judged, used, np.nan_to_num(judged.error_mm)).mean()),
        rmse_mm=tidy(np.sqrt(squares.mean())),
        p95_pct=tidy(100 * pooled / judged.span_mm),
        frames_p95_mm=tidy(np.quantile(size, 0.95)),
        worst_group=names[name],
        worst_group_p95_mm=tidy(p95[name]),
        label_u_mm=None if np.isnan(known).all() else tidy(np.sqrt(np.nanmean(known**2))),
    )


def runs(judged: Judged, rows: Mask) -> list[tuple[int, int]]:
    """Where rows hold one after the other in one session: (start, stop) indices."""
    session = judged.places["session"].codes
    if not rows.any():
        return []
    apart = (session[1:] != session[:-1]) | (
        judged.frame[1:] != judged.frame[:-1] + 1
    )  # frames without a label end a run: nobody knows what they were
    breaks = np.flatnonzero((rows[1:] != rows[:-1]) | apart) + 1
    edges = [0, *breaks.tolist(), len(rows)]
    return [(a, b) for a, b in pairwise(edges) if rows[a]]


def episodes(judged: Judged, tried: Mask, wrong: Mask) -> Episodes:
    """In how many episodes of ``tried`` something went ``wrong``, with the one-sided 95 % bound
    of the rate.
    """
    trials = runs(judged, tried)
    bad = sum(bool(wrong[a:b].any()) for a, b in trials)
    return Episodes(
        episodes=len(trials),
        wrong=bad,
        frames=int((wrong & tried).sum()),
        upper_bound_95=upper_bound(bad, len(trials), 0.95),
    )


def upper_bound(wrong: int, trials: int, confidence: float) -> float | None:
    """The one-sided upper bound of a rate, by Clopper and Pearson (Biometrika 26 (1934) 404); None without
    trials.
    """
    return (
        None
        if not trials
        else 1.0
        if wrong == trials
        else tidy(beta.ppf(confidence, wrong + 1, trials - wrong))
    )


def longest_s(judged: Judged, rows: Mask) -> float:
    """The longest run of ``rows`` in one session, seconds."""
    return tidy(
        max(((judged.t_ms[b - 1] - judged.t_ms[a]) / 1000 for a, b in runs(judged, rows)), default=0.0)
    )


def flag_rates(judged: Judged, flag: str, truth: Mask) -> FlagRates:
    """Of frames with the condition, the share flagged; of those without it, the share flagged
    all the same.
    """
    raised = (judged.flags & FLAG_BITS[flag]) != 0
    return FlagRates(
        frames_with=int(truth.sum()),
        flagged_share=tidy(raised[truth].mean()) if truth.any() else None,
        frames_without=int((~truth).sum()),
        false_flag_share=tidy(raised[~truth].mean()) if (~truth).any() else None,
    )


def joint(judged: Judged) -> Joint:
    """How often level, flags and validity are right, each and all together (shares of frames, mean over
    groups), and what wrong flags go with.

    Level: given, and off by at most 2 % of the span. Flags, of frames with liquid: foam and film as stated.
        Validity: a reading is given, a dry tank is
    called empty and a fuller one is not. ``flags_right`` and ``flags_wrong``: P95 of the error in mm and the
    withheld share, of frames with liquid.
    """
    liquid = ~judged.states.empty
    raised = {name: (judged.flags & FLAG_BITS[name]) != 0 for name in ("foam", "film")}
    flags = (raised["foam"] == judged.states.foam) & (raised["film"] == judged.states.film) | ~liquid
    level = judged.accepted & (np.abs(np.nan_to_num(judged.error_mm)) <= JOINT_SHARE * judged.span_mm)
    validity = judged.accepted & ~judged.false_dry & ((judged.validity == EMPTY) | ~judged.states.dry)
    every = np.ones(len(flags), np.bool_)

    def share(right: Mask) -> float:
        return tidy(group_means(judged, every, right).mean())

    return Joint(
        level_share=share(level),
        flags_share=share(flags),
        validity_share=share(validity),
        all_share=share(level & flags & validity),
        flags_right=_what_goes_with(judged, liquid & flags),
        flags_wrong=_what_goes_with(judged, liquid & ~flags),
    )


def _what_goes_with(judged: Judged, rows: Mask) -> FlaggedErrors:
    size = np.abs(judged.error_mm[rows & judged.accepted])
    return FlaggedErrors(
        p95_mm=tidy(np.quantile(size, 0.95)) if len(size) else None,
        withheld_share=tidy(1 - judged.accepted[rows].mean()) if rows.any() else None,
    )


def hysteresis(judged: Judged) -> float | None:
    """Mean error while filling less that while draining, clean liquid only, mean over groups."""
    used = judged.accepted & judged.states.clean
    up, down = (used & judged.places["flow"].rows_of(flow) for flow in ("filling", "draining"))
    return (
        tidy(
            group_means(judged, up, judged.error_mm).mean()
            - group_means(judged, down, judged.error_mm).mean()
        )
        if up.any() and down.any()
        else None
    )


def coverage(judged: Judged) -> BandFigures | None:
    """The share of accepted frames whose label lies inside the band, mean over groups and in the worst; None
    where no band is given.
    """
    used = judged.accepted & ~judged.states.empty
    if not used.any() or (judged.low_mm[used] == 0).all():
        return None
    each = group_means(judged, used, (judged.low_mm <= judged.label_mm) & (judged.label_mm <= judged.high_mm))
    width = group_means(judged, used, judged.high_mm - judged.low_mm).mean()
    return BandFigures(tidy(each.mean()), tidy(each.min()), tidy(width))
