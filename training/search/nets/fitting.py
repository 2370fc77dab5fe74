"""The fits of the array search: features of a trimming, level nets, watcher, and the integers and thresholds
made from them.

What is kept is fitted on 'fit' units. What to doubt is learnt, and thresholds are set, on units that the nets
behind have not seen: 'choose' units, and 'fit' units by nets fitted without them, in parts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

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
    without_pour,
)
from training.models.nets import IntNet, Net, NetPlan, fit_net, quantise_net
from training.models.operating import (
    DEFAULT_SHARES,
    Operating,
    Scores,
    UnseenRows,
    Wanted,
    find_operating,
    joined_rows,
    joined_scores,
)
from training.models.trim_limits import refuse_trims
from training.models.trimming import SHARE_ONE, Trimming, find_trimming, kind_names, trim_counts, trim_range
from training.models.watch import (
    ONE,
    States,
    Watcher,
    WatchRows,
    doubt_of,
    fit_condition_net,
    fit_error_net,
    states_of,
)
from training.program import LEVEL_UNITS_PER_MM, Builder, shift_round_int
from training.rows import Floats, Ints, Mask, Narrow, group_weights
from training.search.array_recipes import (
    ALL,
    EVERY,
    FOAM,
    POUR,
    ArrayRecipe,
    LevelTask,
    WatcherTask,
)
from training.search.context import SearchContext
from training.search.dealing import Fold
from training.search.nets.pours import half_told, longest_pour

HUBER_SHARE = 0.01  # of the span: a level net's larger errors count less than by their square
_ASIDE = 0.2  # weight of the frames that a net is not for: the flag that chooses the net errs
MOST_FIT_ROWS = 12_000  # frames of one session are alike: more take longer and teach little
WATCHER_BITS = 16  # fewer bits cost it most of the foam it would find
EMPTY_WEIGHT = 0.5
_BLOCK = 1 << 16  # rows that an integer net is asked at once: each of its layers takes eight bytes a unit
_SCALES = (0.7, 1.2)  # of shares: a coupling or permittivity that no capture had; common practice, no source
# a drop on three pads of ten, up to 0.3 of a swing: common practice, no source
_DROP_CHANCE, _DROP_SHARE = 0.3, 0.3


@dataclass(frozen=True)
class Effort:
    """What goes into a fit: the most rows of a level net and of a watcher's nets, which have two outputs
    each, the starts, and the share of the steps.
    """

    level_rows: int
    watcher_rows: int
    starts: int
    steps: float


KEPT = Effort(MOST_FIT_ROWS, 8_000, 4, 1.0)  # from one start, nets of one size differ by half as much again
LEFT_OUT = Effort(6_000, 4_000, 2, 0.5)  # for what unseen units are like, not for a net that is kept


@dataclass(frozen=True)
class Nets:
    """Float nets of recipes, fitted on the ``fold``'s rows to fit."""

    fold: Fold
    levels: Mapping[LevelTask, Net]
    watchers: Mapping[WatcherTask, Watcher]


@dataclass(frozen=True)
class Learnt:
    """The nets that are kept, and those fitted without a part of the fit groups, part by part."""

    kept: Nets
    left_out: tuple[Nets, ...]


@dataclass(frozen=True)
class FeatureTable:
    """What all candidates of one trimming share: integer features of all ``groups`` (n, width), their bounds,
    and shares (n, channels), of all rows; int32, in which every value of a program lies. Floats are made of
    the rows and groups that are asked for, so that nothing is summed in 32 bits. ``longest_pour_s``: see
    :class:`training.program.Program`.
    """

    trimming: Trimming
    trims: Ints
    features: Narrow
    shares: Narrow
    bounds: tuple[tuple[int, ...], tuple[int, ...]]
    longest_pour_s: int = 0

    @property
    def groups(self) -> tuple[str, ...]:
        """The groups of features that there are."""
        return _all_groups(self.trimming, self.longest_pour_s)

    def untold(self) -> FeatureTable:
        """The same where nothing is known of pours."""
        features = self.features.copy()
        features[:, columns((POUR,), self.groups, self.trimming)] = 0
        return replace(self, features=features)

    def of(self, groups: Sequence[str], rows: Ints | Mask) -> Floats:
        """Features of some groups on some rows, (rows, width); they lie column by column, and sums over them
        end in other last bits where they don't.
        """
        at = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
        wanted = columns(groups, self.groups, self.trimming)
        found = np.empty((len(at), len(wanted)), np.float64, order="F")
        for place, column in enumerate(wanted):
            found[:, place] = self.features[at, column]
        return found

    def shares_of(self, rows: Ints | Mask) -> Floats:
        """The shares on some rows, (rows, channels)."""
        return self.shares[rows].astype(np.float64)

    def bounds_of(self, groups: Sequence[str]) -> tuple[list[int], list[int]]:
        at = columns(groups, self.groups, self.trimming)
        return [self.bounds[0][k] for k in at], [self.bounds[1][k] for k in at]


def _all_groups(trimming: Trimming, longest_pour_s: int) -> tuple[str, ...]:
    return (*groups_of(trimming, ALL), *((POUR,) if longest_pour_s else ()))


def prepare_features(context: SearchContext, rows: Mask, trim: str, *, told: bool = False) -> FeatureTable:
    """Trimming from the fit rows, features of ``rows`` (zero elsewhere) by running the program's own
    operations; ``told``: those of pours too. Raises InputError where no fit row knows of a pour.
    """
    data, hardware = context.data, context.hardware
    longest = longest_pour(context) if told else 0
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
        longest_pour_s=longest,
    )
    groups = _all_groups(trimming, longest)
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
    features, shares = (_on_all(rows, values.pop(name)) for name in (joined, nodes.shares))
    return FeatureTable(trimming, trims, features, shares, (interval.low, interval.high), longest)


def _on_all(rows: Mask, values: Narrow) -> Narrow:
    """What ``rows`` have, on all rows, zero elsewhere; the same array where ``rows`` are all there are."""
    if rows.all():
        return values
    every = np.zeros((len(rows), values.shape[1]), np.int32)
    every[rows] = values
    return every


def thinned(data: FrozenData, rows: Mask, most: int = MOST_FIT_ROWS) -> Ints:
    """Indices of the rows in an order of their content, evenly thinned to at most ``most``, each session
    keeping its share.
    """
    at = np.flatnonzero(rows)
    at = at[np.lexsort((data.frame[at], data.session[at]))]
    return at if len(at) <= most else at[np.linspace(0, len(at) - 1, most).round().astype(np.int64)]


def learn_level(context: SearchContext, table: FeatureTable, task: LevelTask, effort: Effort = KEPT) -> Net:
    """Fit a level net on the fit rows, and on empty tanks with made-up drops."""
    data, seed = context.data, context.request.seed
    at = thinned(data, context.fit, effort.level_rows)
    states = states_of(data).where(at)
    weights = _row_weights(data, at, states) * _meant(states, task.frames)
    wetted = _wetted_empty(table, task.groups, at[states.empty], seed)
    scaled, of = _rescaled(table, task.groups, at, seed)
    x = np.vstack([table.of(task.groups, at), wetted, scaled])
    y = np.concatenate([data.level_mm[at], np.zeros(len(wetted)), data.level_mm[at][of]])
    weights = np.concatenate(
        [weights, np.full(len(wetted), EMPTY_WEIGHT) * (_ASIDE if task.frames == FOAM else 1.0), weights[of]]
    )
    steps = round(task.steps * effort.steps)
    plan = NetPlan(task.hidden, seed, steps, huber=HUBER_SHARE * context.span_mm, starts=effort.starts)
    return fit_net(x, y, weights, plan)


def _meant(states: States, frames: str) -> Floats:
    """Weights of rows by whether a net is for them."""
    if frames == EVERY:
        return np.ones(len(states.foam))
    return np.where(states.foam == (frames == FOAM), 1.0, _ASIDE)


def learn_error_net(
    context: SearchContext, table: FeatureTable, task: WatcherTask, doubt: Floats, effort: Effort = KEPT
) -> Net:
    """Fit the net of a watcher that gives doubt and strange, on the fit rows; ``doubt`` (n,) are the targets
    of :func:`unseen_doubt`.
    """
    at, rows, plan = _watched(context, table, task, effort)
    return fit_error_net(rows, doubt[at], without_pour(task.groups), table.trimming, plan)


def learn_condition_net(
    context: SearchContext, table: FeatureTable, task: WatcherTask, effort: Effort = KEPT
) -> Net:
    """Fit the net of a watcher that gives foam and film, on the fit rows."""
    _, rows, plan = _watched(context, table, task, effort)
    return fit_condition_net(rows, plan)


def _watched(
    context: SearchContext, table: FeatureTable, task: WatcherTask, effort: Effort
) -> tuple[Ints, WatchRows, NetPlan]:
    """Which rows a watcher is fitted on, what they hold, and how."""
    data = context.data
    at = thinned(data, context.fit, effort.watcher_rows)
    groups = without_pour(task.groups)
    rows = WatchRows(table.of(groups, at), table.shares_of(at), states_of(data).where(at), data.group[at])
    if groups != task.groups:
        rows = replace(rows, told=half_told(table.of((POUR,), at), context.request.seed))
    steps = round(task.steps * effort.steps)
    return at, rows, NetPlan(task.hidden, context.request.seed, steps, starts=effort.starts)


def _rescaled(table: FeatureTable, groups: Sequence[str], at: Ints, seed: int) -> tuple[Floats, Ints]:
    """Features of every other row with all shares scaled alike, and which rows: another liquid or another
    coupling to earth does about that.
    """
    of = np.arange(0, len(at), 2)
    scale = np.random.default_rng(seed + 1).uniform(*_SCALES, (len(of), 1))
    return _in_motion(
        table, groups, at[of], still_features(table.shares_of(at[of]) * scale, groups, table.trimming)
    ), of


def _wetted_empty(table: FeatureTable, groups: Sequence[str], empty: Ints, seed: int) -> Floats:
    """Features of empty tanks with made-up drops on top of what was captured: no few captures show every
    place where drops can hang.
    """
    if not len(empty):
        return np.zeros((0, width(groups, table.trimming)))
    rng = np.random.default_rng(seed)
    shares = table.shares_of(empty)
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


def unseen_doubt(
    context: SearchContext,
    table: FeatureTable,
    doubting: Sequence[LevelTask],
    parts: Sequence[tuple[Fold, Mapping[LevelTask, Net]]],
) -> Floats:
    """Targets of doubt for the fit rows, (n,): from errors of level nets fitted without the row's unit, each
    on the frames that it is for.
    """
    data, doubt = context.data, np.zeros(len(context.fit))
    foam = states_of(data).foam
    for fold, nets in parts:
        for task in doubting:
            rows = fold.score & (foam == (task.frames == FOAM))
            if rows.any():
                level = np.clip(nets[task].predict(table.of(task.groups, rows))[:, 0], 0, context.span_mm)
                doubt[rows] = doubt_of(level - data.level_mm[rows], context.span_mm)
    return doubt


def parts_of(context: SearchContext, table: FeatureTable, recipe: ArrayRecipe, nets: Nets) -> Parts:
    """The integers of a candidate from its nets. Raises ProgramError where they can't be had in its bits."""
    context, watcher = context.fitted_on(nets.fold.fit), nets.watchers[recipe.watching()]
    data = context.data
    at = thinned(data, context.fit)
    states = states_of(data).where(at)
    levels = []
    for task in recipe.levels():
        on = data.level_mm[at][:, None], _row_weights(data, at, states) * _meant(states, task.frames)
        levels.append(
            quantise_net(
                nets.levels[task],
                table.of(task.groups, at),
                table.bounds_of(task.groups),
                recipe.bits,
                LEVEL_UNITS_PER_MM,
                refit_on=on,
                huber=HUBER_SHARE * context.span_mm,
            )
        )
    error, condition = (
        quantise_net(net, table.of(groups, at), table.bounds_of(groups), WATCHER_BITS, ONE)
        for net, groups in (
            (watcher.error, recipe.error_groups),
            (watcher.condition, recipe.watch_groups),
        )
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
        recipe.foam_groups,
        table.longest_pour_s if recipe.told else 0,
    )


def wanted_of(limits: Limits | None, span_mm: float) -> Wanted:
    """What limits ask for by class: accepted shares, over the usual ones, and the P95 of the error in mm."""
    shares = dict(DEFAULT_SHARES)
    errors_mm: dict[str, float] = {}
    for row in () if limits is None else limits.rows:
        if row.condition not in shares:
            continue
        if row.metric == "withheld_share":
            shares[row.condition] = 1 - row.bound
        elif row.metric in ("p95_pct_span", "p95_abs_mm"):
            bound = row.bound * span_mm / 100 if row.metric == "p95_pct_span" else row.bound
            errors_mm[row.condition] = min(max(bound, row.or_mm or 0.0), errors_mm.get(row.condition, np.inf))
    return Wanted(shares, errors_mm)


def unseen_rows(
    context: SearchContext, table: FeatureTable, recipe: ArrayRecipe, learnt: Learnt, kept: Parts
) -> UnseenRows:
    """The fit and choose rows in order, each scored by integers of nets that have not seen its group: the
    choose rows by those that are ``kept``. Raises as :func:`parts_of` does. A recipe that is told of pours
    is told of all that ``table`` knows of.
    """
    data = context.data
    scored = [(context.choose, scores_of(context, table, kept, context.choose))]
    for nets in learnt.left_out:
        parts = parts_of(context, table, recipe, nets)
        scored.append((nets.fold.score, scores_of(context, table, parts, nets.fold.score)))
    rows = np.concatenate([np.flatnonzero(mask) for mask, _ in scored])
    order = np.argsort(rows)
    rows = rows[order]
    scores = joined_scores([scores for _, scores in scored]).of(order)
    return UnseenRows(scores, data.level_mm[rows], states_of(data).where(rows), data.group[rows])


def thresholds_of(
    context: SearchContext, table: FeatureTable, recipe: ArrayRecipe, learnt: Learnt, kept: Parts
) -> tuple[Operating, UnseenRows]:
    """The operating point for what the limits ask, and the rows of :func:`unseen_rows` that it is set on; of
    a recipe that is told of pours on these where nothing is told as well.
    """
    unseen = rows = unseen_rows(context, table, recipe, learnt, kept)
    if recipe.told:
        untold = unseen_rows(context, table.untold(), recipe, learnt, kept)
        rows = joined_rows((unseen, untold))
    wanted = wanted_of(context.request.limits, context.span_mm)
    return find_operating(rows, context.span_mm, wanted), unseen


def scores_of(context: SearchContext, table: FeatureTable, parts: Parts, rows: Mask) -> Scores:
    """What the nets give on rows, from integer features: the arithmetic of the program's own operations."""
    data = context.data
    at = np.flatnonzero(rows)
    foam = plain = _outputs(table, parts.level, parts.level_groups, at)[:, 0]
    if parts.foam is not None:
        foam = _outputs(table, parts.foam, parts.foam_groups, at)[:, 0]
    (doubt, strange), (seen_foam, seen_film) = (
        np.clip(_outputs(table, net, groups, at), SCORE_LOW, SCORE_HIGH).astype(np.int64).T
        for net, groups in (
            (parts.error, without_pour(parts.watch_groups)),
            (parts.condition, parts.watch_groups),
        )
    )
    if parts.patience:
        doubt = _patient(doubt, data.session[rows], restarted(data)[rows])
    shares = table.shares[at]  # looked at, never summed
    plain, foam = (np.clip(level / LEVEL_UNITS_PER_MM, 0, context.span_mm) for level in (plain, foam))
    return Scores(
        plain,
        foam,
        doubt,
        strange,
        seen_foam,
        seen_film,
        shares[:, list(table.trimming.telling)].max(axis=1).astype(np.int64),
        shares.min(axis=1).astype(np.int64),
        shares.max(axis=1).astype(np.int64) if table.trimming.pairs else None,
    )


def _outputs(table: FeatureTable, net: IntNet, groups: Sequence[str], at: Ints) -> Floats:
    """What a net gives on the rows ``at``, (rows, outputs), some rows at once: whole numbers, which are the
    same however the rows are cut.
    """
    blocks = range(0, len(at), _BLOCK) or (0,)
    return np.concatenate([net.activations(table.of(groups, at[k : k + _BLOCK]))[-1] for k in blocks])


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
