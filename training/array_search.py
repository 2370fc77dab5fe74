"""The search for pad arrays: feature groups, nets of several sizes and weight widths, each with its watcher and operating point, as programs.

Everything is fitted on 'fit' units; sizes, widths and thresholds are chosen on 'choose' units (on units left out of 'fit' in turn, where there are none).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dataset.records import FrozenData, Limits
from training.array_program import SCORE_HIGH, SCORE_LOW, Parts
from training.features import MEAN_SHIFT, columns, emit_features, still_features, width
from training.nets import Net, fit_net, quantise_net
from training.operating import DEFAULT_SHARES, Scores
from training.program import LEVEL_UNITS_PER_MM, Builder, shift_round_int
from training.recipes import Board
from training.rows import Floats, Ints, Mask, group_weights
from training.streams import restarted, values_of
from training.trimming import SHARE_ONE, Trimming, find_trimming, kind_names, trim_counts, trim_limits
from training.watch import ONE, States, doubt_of, fit_watcher, states_of

LEVEL_STEPS, WATCHER_SHARE = 1000, 0.6  # steps of a fit; a watcher takes fewer
ARRAY_CHANNELS = 4  # fewer pads than this have no pattern to watch
STILL, UNREST = ("shares", "ratios"), ("shares", "ratios", "unrest")
ALL = ("shares", "ratios", "means", "unrest")
MOST_FIT_ROWS = 12_000  # frames of one session are alike: more take longer and teach little
PARTS = 2  # units are left out in so many parts to learn what errors unseen units have
EMPTY_WEIGHT = 0.5
_SCALES = (0.7, 1.2)  # of shares: a coupling or permittivity that no capture had; common practice, no source
_DROP_CHANCE, _DROP_SHARE = 0.3, 0.3  # a drop on three pads of ten, up to 0.3 of a swing: common practice, no source


@dataclass(frozen=True)
class ArrayRecipe:
    """One candidate: feature groups and units of each hidden layer of level net and watcher, bits of the first weights, patience, trim."""

    hidden: tuple[int, ...]
    bits: int
    watcher: tuple[int, ...]
    watch_groups: tuple[str, ...]
    patience: bool
    trim: str
    level_groups: tuple[str, ...] = STILL
    steps: int = LEVEL_STEPS

    @property
    def family(self) -> str:
        return "array net" if self.watch_groups == STILL else "array net with unrest"

    @property
    def size(self) -> str:
        return "-".join(str(n) for n in self.hidden)


def default_recipes(trim: str) -> tuple[ArrayRecipe, ...]:
    """What is tried when nothing else is asked for."""
    sizes = ((8,), (12, 6), (16, 8), (24, 12))
    watchers = (((8, 6), STILL, False), ((16,), UNREST, True))
    wide = [ArrayRecipe(size, 16, watcher, groups, patience, trim) for size in sizes for watcher, groups, patience in watchers]
    return (*wide, *(ArrayRecipe(size, 8, *watchers[0], trim) for size in sizes[1:]))


@dataclass(frozen=True)
class Rig:
    """What all candidates of one trimming share: integer features of the groups ALL (n, width), their bounds, and shares (n, channels), of all rows."""

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


@dataclass(frozen=True)
class Watched:
    """A fitted watcher, and the features, targets and weights that it was fitted to."""

    net: Net
    x: Floats
    y: Floats
    weights: Floats


def prepare_rig(data: FrozenData, board: Board, fit: Mask, rows: Mask, trim: str) -> Rig:
    """Trimming from the fit rows, features of ``rows`` (zero elsewhere) by running the program's own operations."""
    trimming = find_trimming(data, fit, trim)
    builder = Builder(
        "features", board.count_bits, board.channels, board.period_ms, board.span, board.period_tolerance_pct, trim_range=trim_limits(trimming),
        trim_kinds=kind_names(trimming),
    )  # fmt: skip
    made = emit_features(builder, trimming, ALL)
    joined = made.joined(builder, ALL)
    zero = builder.const(0)
    interval = builder.interval(joined)
    program = builder.finish(low=zero, level=zero, high=zero, validity=zero, flags=zero)
    trims = trim_counts(data, trimming.kinds)
    found = values_of(program, data, rows, trims, (joined, made.shares))
    features, shares = np.zeros((len(rows), width(ALL, board.channels))), np.zeros((len(rows), board.channels))
    features[rows], shares[rows] = found[joined], found[made.shares]
    return Rig(trimming, trims, features, shares, (interval.low, interval.high))


def thinned(data: FrozenData, rows: Mask, most: int = MOST_FIT_ROWS) -> Ints:
    """Indices of the rows in an order of their content, evenly thinned to at most ``most``, each session keeping its share."""
    at = np.flatnonzero(rows)
    at = at[np.lexsort((data.frame[at], data.session[at]))]
    return at if len(at) <= most else at[np.linspace(0, len(at) - 1, most).round().astype(np.int64)]


def learn_level(data: FrozenData, rig: Rig, groups: Sequence[str], fit: Mask, hidden: tuple[int, ...], seed: int, steps: int) -> Net:
    """Fit a level net on fit rows, and on empty tanks with made-up drops."""
    at = thinned(data, fit)
    states = states_of(data).where(at)
    weights = _row_weights(data, at, states)
    wetted = _wetted_empty(rig, groups, at[states.empty], seed)
    scaled, of = _rescaled(rig, groups, at, seed)
    x = np.vstack([rig.of(groups, at), wetted, scaled])
    y = np.concatenate([data.level_mm[at], np.zeros(len(wetted)), data.level_mm[at][of]])
    return fit_net(x, y, np.concatenate([weights, np.full(len(wetted), EMPTY_WEIGHT), weights[of]]), hidden, seed, steps=steps)


def learn_watcher(data: FrozenData, rig: Rig, groups: Sequence[str], fit: Mask, hidden: tuple[int, ...], seed: int, doubt: Floats, steps: int) -> Watched:
    """Fit a watcher on fit rows; ``doubt`` (n,) are the targets of :func:`unseen_doubt`."""
    at = thinned(data, fit)
    states = states_of(data).where(at)
    return Watched(*fit_watcher(rig.of(groups, at), rig.shares[at], groups, doubt[at], states, data.group[at], hidden, seed, steps))


def _rescaled(rig: Rig, groups: Sequence[str], at: Ints, seed: int) -> tuple[Floats, Ints]:
    """Features of every other row with all shares scaled alike, and which rows: another liquid or another coupling to earth does about that."""
    of = np.arange(0, len(at), 2)
    scale = np.random.default_rng(seed + 1).uniform(*_SCALES, (len(of), 1))
    return still_features(rig.shares[at[of]] * scale, groups), of


def _wetted_empty(rig: Rig, groups: Sequence[str], empty: Ints, seed: int) -> Floats:
    """Features of empty tanks with made-up drops on top of what was captured: no few captures show every place where drops can hang."""
    if not len(empty):
        return np.zeros((0, width(groups, rig.trimming.channels)))
    rng = np.random.default_rng(seed)
    shares = rig.shares[empty].copy()
    drops = rng.random(shares.shape) < _DROP_CHANCE
    shares += drops * rng.uniform(0, _DROP_SHARE, shares.shape) * SHARE_ONE
    return still_features(shares, groups)


def _row_weights(data: FrozenData, at: Ints, states: States) -> Floats:
    """Groups alike; an empty tank's frames, all of one level, count less each than frames under liquid."""
    weights = group_weights(data.group[at]) * np.where(states.empty, EMPTY_WEIGHT, 1.0)
    return np.asarray(weights / weights.mean(), np.float64)


def unseen_doubt(data: FrozenData, rig: Rig, fit: Mask, span_mm: float, seed: int, steps: int = 400) -> Floats:
    """Targets of doubt for fit rows, (n,): from errors of level nets fitted without the row's unit."""
    groups = np.unique(data.group[fit])
    made = np.zeros(len(fit))
    states = states_of(data)
    for part in range(PARTS):
        out = fit & np.isin(data.group, groups[part::PARTS])
        at = thinned(data, fit & ~out, MOST_FIT_ROWS // 2)
        net = fit_net(rig.of(STILL, at), data.level_mm[at], _row_weights(data, at, states.where(at)), (16, 8), seed, steps=steps)
        level = np.clip(net.predict(rig.of(STILL, out))[:, 0], 0, span_mm)
        made[out] = doubt_of(level - data.level_mm[out], span_mm)
    return made


def parts_of(level: Net, watched: Watched, rig: Rig, recipe: ArrayRecipe, data: FrozenData, fit: Mask) -> Parts:
    """The integers of a candidate. Raises ProgramError where they can't be had in its bits."""
    at = thinned(data, fit)
    weights = _row_weights(data, at, states_of(data).where(at))
    bounds = rig.bounds_of(recipe.level_groups)
    ints = quantise_net(level, rig.of(recipe.level_groups, at), bounds, recipe.bits, LEVEL_UNITS_PER_MM, refit_on=(data.level_mm[at][:, None], weights))
    bounds = rig.bounds_of(recipe.watch_groups)
    watcher = quantise_net(watched.net, watched.x, bounds, recipe.bits, ONE, refit_on=(watched.y, watched.weights))
    return Parts(rig.trimming, recipe.level_groups, recipe.watch_groups, ints, watcher, recipe.patience)


def wanted_shares(limits: Limits | None) -> Mapping[str, float]:
    """The accepted shares by class that limits ask for, over the usual ones."""
    shares = dict(DEFAULT_SHARES)
    for row in () if limits is None else limits.rows:
        if row.metric == "withheld_share" and row.condition in shares:
            shares[row.condition] = 1 - row.bound
    return shares


def scores_of(parts: Parts, rig: Rig, data: FrozenData, rows: Mask, span_mm: float) -> Scores:
    """What the nets give on rows, from integer features: the arithmetic of the program's own operations."""
    level = parts.level.activations(rig.of(parts.level_groups, rows))[-1][:, 0]
    watched = np.clip(parts.watcher.activations(rig.of(parts.watch_groups, rows))[-1], SCORE_LOW, SCORE_HIGH).astype(np.int64)
    doubt = _patient(watched[:, 0], data.session[rows], restarted(data)[rows]) if parts.patience else watched[:, 0]
    shares = rig.shares[rows].astype(np.int64)
    return Scores(np.clip(level / LEVEL_UNITS_PER_MM, 0, span_mm), doubt, watched[:, 1], watched[:, 2], watched[:, 3], shares.max(axis=1), shares.min(axis=1))


def _patient(doubt: Ints, session: Ints, anew: Mask) -> Ints:
    """The running mean of the program, over each session's rows; ``anew`` where it starts again."""
    made = doubt.copy()
    for s in np.unique(session):
        at = np.flatnonzero(session == s)
        total = int(doubt[at[0]]) << MEAN_SHIFT
        for k, row in enumerate(at):
            total = int(doubt[row]) << MEAN_SHIFT if anew[row] else total if k == 0 else total - shift_round_int(total, MEAN_SHIFT) + int(doubt[row])
            made[row] = shift_round_int(total, MEAN_SHIFT)
    return made


def error_of(figures: Mapping[str, Any]) -> float:
    """What candidates are compared by: the mean over clean, foam and film of the P95 in mm; infinite when nothing was accepted."""
    found = [figures["classes"][name].get("p95_mm") for name in ("clean", "foam", "film") if name in figures["classes"]]
    return float("inf") if not found or any(v is None for v in found) else float(np.mean(found))
