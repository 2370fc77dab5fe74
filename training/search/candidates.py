"""The search for pad arrays: feature groups, nets of several sizes and weight widths, each with its watcher
and operating point, as programs.

Everything is fitted on 'fit' units; sizes, widths and thresholds are chosen on 'choose' units (on units left
out of 'fit' in turn, where there are none).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from joblib import Parallel, delayed

from dataset.records import FrozenData, Limits
from training.judging.streams import restarted, values_of
from training.models.assemble import SCORE_HIGH, SCORE_LOW, Parts
from training.models.features import MEAN_SHIFT, columns, emit_features, still_features, width
from training.models.nets import Net, fit_net, quantise_net
from training.models.operating import DEFAULT_SHARES, Operating, Scores, find_operating, without_false_wets
from training.models.recipes import Hardware
from training.models.trim_limits import refuse_trims
from training.models.trimming import SHARE_ONE, Trimming, find_trimming, kind_names, trim_counts, trim_range
from training.models.watch import ONE, States, doubt_of, fit_watcher, states_of
from training.program import LEVEL_UNITS_PER_MM, Builder, shift_round_int
from training.rows import Floats, Ints, Mask, group_weights

LEVEL_STEPS, WATCHER_SHARE = 80, 0.75  # steps of a fit; a watcher takes fewer
STARTS = 4  # of each fit: from one alone, nets of one size differ by half as much again
HUBER_SHARE = 0.01  # of the span: a level net's larger errors count less than by their square
ARRAY_CHANNELS = 4  # fewer pads than this have no pattern to watch
PADS, STILL, MOVING = ("shares",), ("shares", "ratios"), ("shares", "ratios", "flow")
ALL = ("shares", "ratios", "flow", "unrest")
EVERY, PLAIN, FOAM = "every", "plain", "foam"  # frames that a level net is for
_ASIDE = 0.2  # weight of the frames that a net is not for: the flag that chooses the net errs
MOST_FIT_ROWS = 12_000  # frames of one session are alike: more take longer and teach little
MOST_WATCHER_ROWS, WATCHER_BITS = (
    8_000,
    16,
)  # a watcher has several outputs; fewer bits cost it most of the foam it would find
PARTS = 3  # units are left out in so many parts to learn what errors unseen units have
EMPTY_WEIGHT = 0.5
_SCALES = (0.7, 1.2)  # of shares: a coupling or permittivity that no capture had; common practice, no source
_DROP_CHANCE, _DROP_SHARE = (
    0.3,
    0.3,
)  # a drop on three pads of ten, up to 0.3 of a swing: common practice, no source


@dataclass(frozen=True)
class ArrayRecipe:
    """One candidate: feature groups and units of each hidden layer of level nets and watcher, bits of the
    first weights, patience, trim.

    ``foam``: the hidden layers of a level net for foam; empty where one net serves for all.
    """

    hidden: tuple[int, ...]
    bits: int
    watcher: tuple[int, ...]
    watch_groups: tuple[str, ...]
    patience: bool
    trim: str
    level_groups: tuple[str, ...] = STILL
    foam: tuple[int, ...] = ()
    steps: int = LEVEL_STEPS

    @property
    def family(self) -> str:
        return "array net" if not self.foam else "array net, another for foam"

    @property
    def size(self) -> str:
        return "-".join(str(n) for n in self.hidden)

    def levels(self) -> tuple[LevelTask, ...]:
        """The level nets that it needs, the one for foam last."""
        if not self.foam:
            return (LevelTask(self.level_groups, self.hidden, self.steps, EVERY),)
        return (
            LevelTask(self.level_groups, self.hidden, self.steps, PLAIN),
            LevelTask(self.level_groups, self.foam, self.steps, FOAM),
        )


@dataclass(frozen=True)
class LevelTask:
    """A level net to be fitted: feature groups, hidden layers, steps, and the frames it is for (EVERY, PLAIN
    or FOAM).
    """

    groups: tuple[str, ...]
    hidden: tuple[int, ...]
    steps: int
    frames: str


def default_recipes(trim: str) -> tuple[ArrayRecipe, ...]:
    """What is tried when nothing else is asked for: from one small net on the pads alone to a net each for
    plain liquid and for foam.
    """
    small = [
        ArrayRecipe(hidden, bits, watcher, watched, False, trim, groups)
        for hidden, bits, watcher, watched, groups in (
            ((8,), 8, (4,), PADS, PADS),
            ((10,), 8, (4,), PADS, PADS),
            ((12,), 8, (8,), PADS, PADS),
            ((8,), 16, (8,), STILL, STILL),
            ((12, 6), 8, (8,), STILL, STILL),
            ((12, 6), 8, (12,), ALL, MOVING),
            ((16, 8), 8, (12,), ALL, MOVING),
        )
    ]
    large = [
        ArrayRecipe(hidden, bits, watcher, ALL, True, trim, MOVING, foam)
        for hidden, bits, watcher, foam in (
            ((16, 8), 8, (16,), ()),
            ((12, 6), 8, (16,), (12, 6)),
            ((16, 8), 8, (16,), (16, 8)),
            ((16, 8), 16, (24,), (16, 8)),
            ((16, 8), 16, (16, 8), (16, 8)),
        )
    ]
    return (*small, *large)


@dataclass(frozen=True)
class FeatureTable:
    """What all candidates of one trimming share: integer features of the groups ALL (n, width), their bounds,
    and shares (n, channels), of all rows.
    """

    trimming: Trimming
    trims: Ints
    features: Floats
    shares: Floats
    bounds: tuple[tuple[int, ...], tuple[int, ...]]

    def of(self, groups: Sequence[str], rows: Ints | Mask) -> Floats:
        """Features of some groups on some rows."""
        return self.features[rows][:, columns(groups, ALL, self.trimming.channels)]

    def bounds_of(self, groups: Sequence[str]) -> tuple[list[int], list[int]]:
        at = columns(groups, ALL, self.trimming.channels)
        return [self.bounds[0][k] for k in at], [self.bounds[1][k] for k in at]


def prepare_features(data: FrozenData, hardware: Hardware, fit: Mask, rows: Mask, trim: str) -> FeatureTable:
    """Trimming from the fit rows, features of ``rows`` (zero elsewhere) by running the program's own
    operations.
    """
    trimming = find_trimming(data, fit, trim)
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
    made = emit_features(builder, trimming, ALL)
    joined = made.joined(builder, ALL)
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
    found = values_of(program, data, rows, trims, (joined, made.shares))
    features, shares = (
        np.zeros((len(rows), width(ALL, hardware.channels))),
        np.zeros((len(rows), hardware.channels)),
    )
    features[rows], shares[rows] = found[joined], found[made.shares]
    return FeatureTable(trimming, trims, features, shares, (interval.low, interval.high))


def thinned(data: FrozenData, rows: Mask, most: int = MOST_FIT_ROWS) -> Ints:
    """Indices of the rows in an order of their content, evenly thinned to at most ``most``, each session
    keeping its share.
    """
    at = np.flatnonzero(rows)
    at = at[np.lexsort((data.frame[at], data.session[at]))]
    return at if len(at) <= most else at[np.linspace(0, len(at) - 1, most).round().astype(np.int64)]


def learn_levels(
    data: FrozenData, table: FeatureTable, recipe: ArrayRecipe, fit: Mask, seed: int, span_mm: float
) -> tuple[Net, ...]:
    """The float level nets of a recipe, the one for foam last."""
    return tuple(learn_level(data, table, task, fit, seed, span_mm) for task in recipe.levels())


def learn_level(
    data: FrozenData, table: FeatureTable, task: LevelTask, fit: Mask, seed: int, span_mm: float
) -> Net:
    """Fit a level net on fit rows, and on empty tanks with made-up drops."""
    at = thinned(data, fit)
    states = states_of(data).where(at)
    weights = _row_weights(data, at, states) * _meant(states, task.frames)
    wetted = _wetted_empty(table, task.groups, at[states.empty], seed)
    scaled, of = _rescaled(table, task.groups, at, seed)
    x = np.vstack([table.of(task.groups, at), wetted, scaled])
    y = np.concatenate([data.level_mm[at], np.zeros(len(wetted)), data.level_mm[at][of]])
    weights = np.concatenate(
        [weights, np.full(len(wetted), EMPTY_WEIGHT) * (_ASIDE if task.frames == FOAM else 1.0), weights[of]]
    )
    return fit_net(
        x, y, weights, task.hidden, seed, steps=task.steps, huber=HUBER_SHARE * span_mm, starts=STARTS
    )


def _meant(states: States, frames: str) -> Floats:
    """Weights of rows by whether a net is for them."""
    if frames == EVERY:
        return np.ones(len(states.foam))
    return np.where(states.foam == (frames == FOAM), 1.0, _ASIDE)


def learn_watcher(
    data: FrozenData,
    table: FeatureTable,
    groups: Sequence[str],
    fit: Mask,
    hidden: tuple[int, ...],
    seed: int,
    doubt: Floats,
    steps: int,
) -> Net:
    """Fit a watcher on fit rows; ``doubt`` (n,) are the targets of :func:`unseen_doubt`."""
    at = thinned(data, fit, MOST_WATCHER_ROWS)
    states = states_of(data).where(at)
    return fit_watcher(
        table.of(groups, at),
        table.shares[at],
        groups,
        doubt[at],
        states,
        data.group[at],
        hidden,
        seed,
        steps,
        STARTS,
    )


def _rescaled(table: FeatureTable, groups: Sequence[str], at: Ints, seed: int) -> tuple[Floats, Ints]:
    """Features of every other row with all shares scaled alike, and which rows: another liquid or another
    coupling to earth does about that.
    """
    of = np.arange(0, len(at), 2)
    scale = np.random.default_rng(seed + 1).uniform(*_SCALES, (len(of), 1))
    return _in_motion(table, groups, at[of], still_features(table.shares[at[of]] * scale, groups)), of


def _wetted_empty(table: FeatureTable, groups: Sequence[str], empty: Ints, seed: int) -> Floats:
    """Features of empty tanks with made-up drops on top of what was captured: no few captures show every
    place where drops can hang.
    """
    if not len(empty):
        return np.zeros((0, width(groups, table.trimming.channels)))
    rng = np.random.default_rng(seed)
    shares = table.shares[empty].copy()
    drops = rng.random(shares.shape) < _DROP_CHANCE
    shares += drops * rng.uniform(0, _DROP_SHARE, shares.shape) * SHARE_ONE
    return _in_motion(table, groups, empty, still_features(shares, groups))


def _in_motion(table: FeatureTable, groups: Sequence[str], rows: Ints, features: Floats) -> Floats:
    """Features made up from ``rows`` with those of time as they were captured."""
    timed = columns([g for g in ("flow", "unrest") if g in groups], groups, table.trimming.channels)
    features[:, timed] = table.of(groups, rows)[:, timed]
    return features


def _row_weights(data: FrozenData, at: Ints, states: States) -> Floats:
    """Groups alike; an empty tank's frames, all of one level, count less each than frames under liquid."""
    weights = group_weights(data.group[at]) * np.where(states.empty, EMPTY_WEIGHT, 1.0)
    return np.asarray(weights / weights.mean(), np.float64)


def unseen_doubt(
    data: FrozenData,
    table: FeatureTable,
    fit: Mask,
    span_mm: float,
    seed: int,
    steps: int = LEVEL_STEPS // 2,
    jobs: int = 1,
    progress: Callable[[str, int, int], None] | None = None,
) -> Floats:
    """Targets of doubt for fit rows, (n,): from errors of level nets fitted without the row's unit, each on
    the frames that it is for.
    """
    groups = np.unique(data.group[fit])
    foam = states_of(data).foam
    parts = [
        (fit & np.isin(data.group, groups[part::PARTS]), frames)
        for part in range(PARTS)
        for frames in (PLAIN, FOAM)
    ]
    rows = [out & (foam == (frames == FOAM)) for out, frames in parts]
    tasks = [(fit & ~out, LevelTask(MOVING, (12, 6), steps, frames)) for out, frames in parts]
    needed = [k for k in range(len(parts)) if rows[k].any()]
    nets = Parallel(n_jobs=jobs, return_as="generator")(
        delayed(learn_level)(data, table, tasks[k][1], tasks[k][0], seed, span_mm) for k in needed
    )
    made = np.zeros(len(fit))
    say = progress or (lambda what, done, total: None)
    say("learning what to doubt", 0, len(needed))
    for done, (k, net) in enumerate(zip(needed, nets, strict=True), 1):
        say("learning what to doubt", done, len(needed))
        made[rows[k]] = doubt_of(
            np.clip(net.predict(table.of(MOVING, rows[k]))[:, 0], 0, span_mm) - data.level_mm[rows[k]],
            span_mm,
        )
    return made


def parts_of(
    nets: Sequence[Net],
    watcher: Net,
    table: FeatureTable,
    recipe: ArrayRecipe,
    data: FrozenData,
    fit: Mask,
    span_mm: float,
) -> Parts:
    """The integers of a candidate. Raises ProgramError where they can't be had in its bits."""
    at = thinned(data, fit)
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
                huber=HUBER_SHARE * span_mm,
            )
        )
    bounds = table.bounds_of(recipe.watch_groups)
    watched = quantise_net(watcher, table.of(recipe.watch_groups, at), bounds, WATCHER_BITS, ONE)
    return Parts(
        table.trimming,
        recipe.level_groups,
        recipe.watch_groups,
        levels[0],
        levels[1] if recipe.foam else None,
        watched,
        recipe.patience,
    )


def wanted_shares(limits: Limits | None) -> Mapping[str, float]:
    """The accepted shares by class that limits ask for, over the usual ones."""
    shares = dict(DEFAULT_SHARES)
    for row in () if limits is None else limits.rows:
        if row.metric == "withheld_share" and row.condition in shares:
            shares[row.condition] = 1 - row.bound
    return shares


def thresholds_of(
    parts: Parts,
    table: FeatureTable,
    data: FrozenData,
    fit: Mask,
    choose: Mask,
    span_mm: float,
    limits: Limits | None,
) -> Operating:
    """The operating point: shares from the choose groups, which no net has seen; false wets are hunted on the
    fit groups too, since empty tanks are few.
    """
    chosen, every = (scores_of(parts, table, data, rows, span_mm) for rows in (choose, fit | choose))
    states = states_of(data)
    at = find_operating(
        chosen,
        data.level_mm[choose],
        states.where(choose),
        data.group[choose],
        span_mm,
        wanted_shares(limits),
    )
    return without_false_wets(chosen, states.where(choose), at, every, states.where(fit | choose), span_mm)


def scores_of(parts: Parts, table: FeatureTable, data: FrozenData, rows: Mask, span_mm: float) -> Scores:
    """What the nets give on rows, from integer features: the arithmetic of the program's own operations."""
    features = table.of(parts.level_groups, rows)
    plain = parts.level.activations(features)[-1][:, 0]
    foam = plain if parts.foam is None else parts.foam.activations(features)[-1][:, 0]
    watched = np.clip(
        parts.watcher.activations(table.of(parts.watch_groups, rows))[-1], SCORE_LOW, SCORE_HIGH
    ).astype(np.int64)
    doubt = (
        _patient(watched[:, 0], data.session[rows], restarted(data)[rows])
        if parts.patience
        else watched[:, 0]
    )
    shares = table.shares[rows].astype(np.int64)
    plain, foam = (np.clip(its / LEVEL_UNITS_PER_MM, 0, span_mm) for its in (plain, foam))
    return Scores(
        plain,
        foam,
        doubt,
        watched[:, 1],
        watched[:, 2],
        watched[:, 3],
        shares.max(axis=1),
        shares.min(axis=1),
    )


def _patient(doubt: Ints, session: Ints, anew: Mask) -> Ints:
    """The running mean of the program, over each session's rows; ``anew`` where it starts again."""
    made = doubt.copy()
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
            made[row] = shift_round_int(total, MEAN_SHIFT)
    return made


def error_of(figures: Mapping[str, Any]) -> float:
    """What candidates are compared by: the mean over clean, foam and film of the P95 in mm; infinite when
    nothing was accepted.
    """
    found = [
        figures["classes"][name].get("p95_mm")
        for name in ("clean", "foam", "film")
        if name in figures["classes"]
    ]
    return float("inf") if not found or any(v is None for v in found) else float(np.mean(found))
