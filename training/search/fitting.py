"""The fits of the array search: features of a trimming, level nets, watcher, and the integers and thresholds
made from them.

Everything is fitted on 'fit' units; sizes, widths and thresholds are chosen on 'choose' units (on units left
out of 'fit' in turn, where there are none).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from joblib import Parallel, delayed

from dataset.records import FrozenData, Limits
from training.judging.streams import restarted, values_of
from training.models.assemble import SCORE_HIGH, SCORE_LOW, Parts
from training.models.features import (
    MEAN_SHIFT,
    columns,
    emit_features,
    groups_of,
    still_features,
    width,
)
from training.models.nets import Net, NetPlan, fit_net, quantise_net
from training.models.operating import DEFAULT_SHARES, Operating, Scores, find_operating, without_false_wets
from training.models.trim_limits import refuse_trims
from training.models.trimming import SHARE_ONE, Trimming, find_trimming, kind_names, trim_counts, trim_range
from training.models.watch import (
    FALSE_FOAM,
    ONE,
    States,
    Watcher,
    WatchRows,
    doubt_of,
    fit_condition,
    fit_watcher,
    states_of,
)
from training.program import LEVEL_UNITS_PER_MM, Builder, shift_round_int
from training.rows import Floats, Ints, Mask, group_weights
from training.search.array_recipes import (
    ALL,
    EVERY,
    FOAM,
    LEVEL_STEPS,
    MOVING,
    PLAIN,
    ArrayRecipe,
    LevelTask,
    WatcherTask,
)
from training.search.context import SearchContext

STARTS = 4  # of each fit: from one alone, nets of one size differ by half as much again
HUBER_SHARE = 0.01  # of the span: a level net's larger errors count less than by their square
_ASIDE = 0.2  # weight of the frames that a net is not for: the flag that chooses the net errs
MOST_FIT_ROWS = 12_000  # frames of one session are alike: more take longer and teach little
MOST_WATCHER_ROWS = 8_000  # each of a watcher's nets has two outputs
MOST_UNSEEN_ROWS = 4_000  # for what unseen units are like, not for a net that is kept
WATCHER_BITS = 16  # fewer bits cost it most of the foam it would find
PARTS = 3  # units are left out in so many parts to learn what errors unseen units have
EMPTY_WEIGHT = 0.5
_SCALES = (0.7, 1.2)  # of shares: a coupling or permittivity that no capture had; common practice, no source
# a drop on three pads of ten, up to 0.3 of a swing: common practice, no source
_DROP_CHANCE, _DROP_SHARE = 0.3, 0.3


@dataclass(frozen=True)
class FeatureTable:
    """What all candidates of one trimming share: integer features of all ``groups`` (n, width), their bounds,
    and shares (n, channels), of all rows.
    """

    trimming: Trimming
    trims: Ints
    features: Floats
    shares: Floats
    bounds: tuple[tuple[int, ...], tuple[int, ...]]

    @property
    def groups(self) -> tuple[str, ...]:
        """The groups of features that there are."""
        return groups_of(self.trimming, ALL)

    def of(self, groups: Sequence[str], rows: Ints | Mask) -> Floats:
        """Features of some groups on some rows."""
        return self.features[rows][:, columns(groups, self.groups, self.trimming)]

    def bounds_of(self, groups: Sequence[str]) -> tuple[list[int], list[int]]:
        at = columns(groups, self.groups, self.trimming)
        return [self.bounds[0][k] for k in at], [self.bounds[1][k] for k in at]


def prepare_features(context: SearchContext, rows: Mask, trim: str) -> FeatureTable:
    """Trimming from the fit rows, features of ``rows`` (zero elsewhere) by running the program's own
    operations.
    """
    data, hardware = context.data, context.hardware
    trimming = find_trimming(data, context.fit, trim)
    builder = Builder(
        "features",
        hardware.count_bits,
        hardware.channels,
        hardware.period_ms,
        hardware.span,
        hardware.period_tolerance_pct,
        trim_range=trim_range(trimming),
        trim_kinds=kind_names(trimming),
    )
    groups = groups_of(trimming, ALL)
    nodes = emit_features(builder, trimming, groups)
    joined = nodes.joined(builder, groups)
    zero = builder.const(0)
    interval = builder.interval(joined)
    program = builder.finish(low=zero, level=zero, high=zero, validity=zero, flags=zero)
    refuse_trims(
        program,
        data,
        rows,
        "what the trims to fit on allow",
        "is it right? take the trim again, or freeze without the unit",
    )
    trims = trim_counts(data, trimming.kinds)
    values = values_of(program, data, rows, trims, (joined, nodes.shares))
    features, shares = (
        np.zeros((len(rows), width(groups, trimming))),
        np.zeros((len(rows), hardware.channels)),
    )
    features[rows], shares[rows] = values[joined], values[nodes.shares]
    return FeatureTable(trimming, trims, features, shares, (interval.low, interval.high))


def thinned(data: FrozenData, rows: Mask, most: int = MOST_FIT_ROWS) -> Ints:
    """Indices of the rows in an order of their content, evenly thinned to at most ``most``, each session
    keeping its share.
    """
    at = np.flatnonzero(rows)
    at = at[np.lexsort((data.frame[at], data.session[at]))]
    return at if len(at) <= most else at[np.linspace(0, len(at) - 1, most).round().astype(np.int64)]


def learn_level(context: SearchContext, table: FeatureTable, task: LevelTask) -> Net:
    """Fit a level net on the fit rows, and on empty tanks with made-up drops."""
    data, seed = context.data, context.request.seed
    at = thinned(data, context.fit)
    states = states_of(data).where(at)
    weights = _row_weights(data, at, states) * _meant(states, task.frames)
    wetted = _wetted_empty(table, task.groups, at[states.empty], seed)
    scaled, of = _rescaled(table, task.groups, at, seed)
    x = np.vstack([table.of(task.groups, at), wetted, scaled])
    y = np.concatenate([data.level_mm[at], np.zeros(len(wetted)), data.level_mm[at][of]])
    weights = np.concatenate(
        [weights, np.full(len(wetted), EMPTY_WEIGHT) * (_ASIDE if task.frames == FOAM else 1.0), weights[of]]
    )
    plan = NetPlan(task.hidden, seed, task.steps, huber=HUBER_SHARE * context.span_mm, starts=STARTS)
    return fit_net(x, y, weights, plan)


def _meant(states: States, frames: str) -> Floats:
    """Weights of rows by whether a net is for them."""
    if frames == EVERY:
        return np.ones(len(states.foam))
    return np.where(states.foam == (frames == FOAM), 1.0, _ASIDE)


def learn_watcher(context: SearchContext, table: FeatureTable, task: WatcherTask, doubt: Floats) -> Watcher:
    """Fit a watcher on the fit rows; ``doubt`` (n,) are the targets of :func:`unseen_doubt`."""
    rows = _watch_rows(context, table, task, doubt, MOST_WATCHER_ROWS)
    plan = NetPlan(task.hidden, context.request.seed, task.steps, starts=STARTS)
    watcher = fit_watcher(rows, task.groups, table.trimming, plan)
    return replace(watcher, foam_unseen=_foam_unseen(context, table, task, doubt, plan))


def _watch_rows(
    context: SearchContext, table: FeatureTable, task: WatcherTask, doubt: Floats, most: int
) -> WatchRows:
    data = context.data
    at = thinned(data, context.fit, most)
    return WatchRows(
        table.of(task.groups, at), table.shares[at], doubt[at], states_of(data).where(at), data.group[at]
    )


def _foam_unseen(
    context: SearchContext, table: FeatureTable, task: WatcherTask, doubt: Floats, plan: NetPlan
) -> tuple[float, ...]:
    """Of each fit unit the foam score that FALSE_FOAM of its clean frames exceed, by condition nets fitted
    without it, in parts.
    """
    data, fit, clean = context.data, context.fit, states_of(context.data).clean
    groups, scores = np.unique(data.group[fit]), []
    for part in range(PARTS):
        out = groups[part::PARTS]
        others = context.fitted_on(fit & ~np.isin(data.group, out))
        if not len(out) or not others.fit.any():
            continue
        net = fit_condition(_watch_rows(others, table, task, doubt, MOST_UNSEEN_ROWS), plan)
        for group in out:
            rows = fit & clean & (data.group == group)
            if rows.any():
                foam = net.predict(table.of(task.groups, rows))[:, 0]
                scores.append(float(np.quantile(foam, 1 - FALSE_FOAM)))
    return tuple(scores)


def _rescaled(table: FeatureTable, groups: Sequence[str], at: Ints, seed: int) -> tuple[Floats, Ints]:
    """Features of every other row with all shares scaled alike, and which rows: another liquid or another
    coupling to earth does about that.
    """
    of = np.arange(0, len(at), 2)
    scale = np.random.default_rng(seed + 1).uniform(*_SCALES, (len(of), 1))
    return _in_motion(
        table, groups, at[of], still_features(table.shares[at[of]] * scale, groups, table.trimming)
    ), of


def _wetted_empty(table: FeatureTable, groups: Sequence[str], empty: Ints, seed: int) -> Floats:
    """Features of empty tanks with made-up drops on top of what was captured: no few captures show every
    place where drops can hang.
    """
    if not len(empty):
        return np.zeros((0, width(groups, table.trimming)))
    rng = np.random.default_rng(seed)
    shares = table.shares[empty].copy()
    hanging = rng.random(shares.shape) < _DROP_CHANCE
    drops = hanging * rng.uniform(0, _DROP_SHARE, shares.shape)
    for low, high in table.trimming.pairs:  # a drop is a lump and shows alike at every frequency
        drops[:, low] = drops[:, high]
    shares += drops * SHARE_ONE
    return _in_motion(table, groups, empty, still_features(shares, groups, table.trimming))


def _in_motion(table: FeatureTable, groups: Sequence[str], rows: Ints, features: Floats) -> Floats:
    """Features made up from ``rows`` with those of time as they were captured."""
    timed = columns([g for g in ("flow", "unrest") if g in groups], groups, table.trimming)
    features[:, timed] = table.of(groups, rows)[:, timed]
    return features


def _row_weights(data: FrozenData, at: Ints, states: States) -> Floats:
    """Groups alike; an empty tank's frames, all of one level, count less each than frames under liquid."""
    weights = group_weights(data.group[at]) * np.where(states.empty, EMPTY_WEIGHT, 1.0)
    return np.asarray(weights / weights.mean(), np.float64)


def unseen_doubt(context: SearchContext, table: FeatureTable, steps: int = LEVEL_STEPS // 2) -> Floats:
    """Targets of doubt for the fit rows, (n,): from errors of level nets fitted without the row's unit, each
    on the frames that it is for.
    """
    data, fit, span_mm, progress = context.data, context.fit, context.span_mm, context.request.progress
    groups = np.unique(data.group[fit])
    foam = states_of(data).foam
    parts = [
        (fit & np.isin(data.group, groups[part::PARTS]), frames)
        for part in range(PARTS)
        for frames in (PLAIN, FOAM)
    ]
    rows = [out & (foam == (frames == FOAM)) for out, frames in parts]
    needed = [k for k in range(len(parts)) if rows[k].any()]
    others = context.for_workers()
    watched = groups_of(table.trimming, MOVING)
    nets = Parallel(n_jobs=context.request.jobs, return_as="generator")(
        delayed(learn_level)(
            others.fitted_on(fit & ~parts[k][0]), table, LevelTask(watched, (12, 6), steps, parts[k][1])
        )
        for k in needed
    )
    doubt = np.zeros(len(fit))
    progress("learning what to doubt", 0, len(needed))
    for done, (k, net) in enumerate(zip(needed, nets, strict=True), 1):
        progress("learning what to doubt", done, len(needed))
        level = np.clip(net.predict(table.of(watched, rows[k]))[:, 0], 0, span_mm)
        doubt[rows[k]] = doubt_of(level - data.level_mm[rows[k]], span_mm)
    return doubt


def parts_of(
    context: SearchContext, table: FeatureTable, recipe: ArrayRecipe, nets: Sequence[Net], watcher: Watcher
) -> Parts:
    """The integers of a candidate from its level nets, the one for foam last, and its watcher. Raises
    ProgramError where they can't be had in its bits.
    """
    data = context.data
    at = thinned(data, context.fit)
    states = states_of(data).where(at)
    features, bounds = table.of(recipe.level_groups, at), table.bounds_of(recipe.level_groups)
    levels = []
    for net, task in zip(nets, recipe.levels(), strict=True):
        on = data.level_mm[at][:, None], _row_weights(data, at, states) * _meant(states, task.frames)
        levels.append(
            quantise_net(
                net,
                features,
                bounds,
                recipe.bits,
                LEVEL_UNITS_PER_MM,
                refit_on=on,
                huber=HUBER_SHARE * context.span_mm,
            )
        )
    watched, bounds = table.of(recipe.watch_groups, at), table.bounds_of(recipe.watch_groups)
    error, condition = (
        quantise_net(net, watched, bounds, WATCHER_BITS, ONE) for net in (watcher.error, watcher.condition)
    )
    return Parts(
        table.trimming,
        recipe.level_groups,
        recipe.watch_groups,
        levels[0],
        levels[1] if recipe.foam else None,
        error,
        condition,
        recipe.patience,
        tuple(round(ONE * score) for score in watcher.foam_unseen),
    )


def wanted_shares(limits: Limits | None) -> Mapping[str, float]:
    """The accepted shares by class that limits ask for, over the usual ones."""
    shares = dict(DEFAULT_SHARES)
    for row in () if limits is None else limits.rows:
        if row.metric == "withheld_share" and row.condition in shares:
            shares[row.condition] = 1 - row.bound
    return shares


def thresholds_of(context: SearchContext, table: FeatureTable, parts: Parts) -> Operating:
    """The operating point: shares from the choose groups, which no net has seen; false wets are hunted on the
    fit groups too, since empty tanks are few.
    """
    data, choose, every = context.data, context.choose, context.fit | context.choose
    states, chosen = states_of(data), scores_of(context, table, parts, context.choose)
    at = find_operating(
        chosen,
        data.level_mm[choose],
        states.where(choose),
        data.group[choose],
        context.span_mm,
        wanted_shares(context.request.limits),
        parts.foam_unseen,
    )
    return without_false_wets(
        chosen,
        states.where(choose),
        at,
        scores_of(context, table, parts, every),
        states.where(every),
        context.span_mm,
    )


def scores_of(context: SearchContext, table: FeatureTable, parts: Parts, rows: Mask) -> Scores:
    """What the nets give on rows, from integer features: the arithmetic of the program's own operations."""
    data = context.data
    features = table.of(parts.level_groups, rows)
    plain = parts.level.activations(features)[-1][:, 0]
    foam = plain if parts.foam is None else parts.foam.activations(features)[-1][:, 0]
    watched = table.of(parts.watch_groups, rows)
    (doubt, strange), (seen_foam, seen_film) = (
        np.clip(net.activations(watched)[-1], SCORE_LOW, SCORE_HIGH).astype(np.int64).T
        for net in (parts.error, parts.condition)
    )
    if parts.patience:
        doubt = _patient(doubt, data.session[rows], restarted(data)[rows])
    shares = table.shares[rows].astype(np.int64)
    plain, foam = (np.clip(level / LEVEL_UNITS_PER_MM, 0, context.span_mm) for level in (plain, foam))
    return Scores(
        plain,
        foam,
        doubt,
        strange,
        seen_foam,
        seen_film,
        shares[:, list(table.trimming.telling)].max(axis=1),
        shares.min(axis=1),
        shares.max(axis=1) if table.trimming.pairs else None,
    )


def _patient(doubt: Ints, session: Ints, anew: Mask) -> Ints:
    """The running mean of the program, over each session's rows; ``anew`` where it starts again."""
    means = doubt.copy()
    for s in np.unique(session):
        at = np.flatnonzero(session == s)
        total = int(doubt[at[0]]) << MEAN_SHIFT
        for k, row in enumerate(at):
            total = (
                int(doubt[row]) << MEAN_SHIFT
                if anew[row]
                else total
                if k == 0
                else total - shift_round_int(total, MEAN_SHIFT) + int(doubt[row])
            )
            means[row] = shift_round_int(total, MEAN_SHIFT)
    return means
