"""One recipe fitted once: what learning curves and studies repeat, without a search, a float model or a
band.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from dataset.errors import InputError
from dataset.pools import HERE
from dataset.records import FrozenData, Role
from training.judging.judged import Judged, judge
from training.models.assemble import SCALE, Parts, assemble
from training.models.features import emit_features
from training.models.nets import emit_net
from training.models.operating import Operating
from training.models.recipes import Hardware, fit_sizes, quantise
from training.models.trimming import kind_names, trim_counts, trim_range
from training.program import Builder, Program
from training.rows import Ints, Mask, rows_at, rows_of
from training.search.array_recipes import ArrayRecipe
from training.search.context import SearchContext, silent
from training.search.dealing import deal
from training.search.kept_recipe import AnyKept
from training.search.nets.fitting import (
    FeatureTable,
    parts_of,
    prepare_features,
    thresholds_of,
)
from training.search.nets.learning import learn_all


@dataclass(frozen=True)
class Refitted:
    """A program, and the trims (sessions, trim size) that it takes of the data it was fitted on."""

    program: Program
    trims: Ints
    span_mm: float

    def judge(self, data: FrozenData, rows: Mask) -> Judged:
        """What the program says of rows of the data that it was fitted on."""
        return judge(self.program, data, rows, self.trims, self.span_mm)


@dataclass(frozen=True)
class Refit(Refitted):
    """One of a pad array, with the parts and thresholds that it was made of."""

    parts: Parts
    at: Operating


def spread_rows(data: FrozenData, rows: Mask, most: int) -> Mask:
    """At most about ``most`` of the rows, every session keeping its share, evenly spread in time; never none
    of a session.
    """
    sessions = np.unique(data.session[rows])
    share = max(most // max(len(sessions), 1), 2)
    kept: Mask = np.zeros(len(rows), np.bool_)
    for session in sessions:
        at = np.flatnonzero(rows & (data.session == session))
        kept[at if len(at) <= share else at[np.linspace(0, len(at) - 1, share).round().astype(np.int64)]] = (
            True
        )
    return kept


def thinned_fit(data: FrozenData, most: int) -> FrozenData:
    """The same data with at most about ``most`` rows for fitting, spread as by :func:`spread_rows`; all other
    rows stay.
    """
    fit = data.rows(Role.FIT)
    kept = ~fit | spread_rows(data, fit, most)
    return rows_at(data, kept)


def refit_any(context: SearchContext, recipe: AnyKept) -> Refitted:
    """Fit a recipe of either kind; a curve has no thresholds and needs no choose rows. Raises as
    :func:`refit`.
    """
    if isinstance(recipe, ArrayRecipe):
        return refit(context, recipe)
    data, hardware = context.data, context.hardware
    with threadpool_limits(limits=1):
        rows = rows_of(data, context.fit)
        fitted = fit_sizes(recipe.family, [recipe.size], rows, hardware, context.request.seed)[recipe.size]
    program = quantise(fitted, recipe.bits, hardware, "refit")
    return Refitted(program, trim_counts(data, ()), context.span_mm)


def refit(context: SearchContext, recipe: ArrayRecipe) -> Refit:
    """Fit ``recipe`` on the fit rows, set its thresholds on groups not seen; one fit after the other.

    Raises InputError where a unit lacks the recipe's trim, or no session says when liquid came in and the
    recipe is told of it, ProgramError where the net has no integers in the
    recipe's bits.
    """
    context = replace(context, request=replace(context.request, pool=HERE, progress=silent))
    with threadpool_limits(limits=1):
        table = prepare_features(context, context.fit | context.choose, recipe.trim, told=recipe.told)
        _check_groups(context.data, table, recipe)
        learnt = learn_all(context, table, (recipe,), deal(context, in_turn=False).folds)
        parts = parts_of(context, table, recipe, learnt.kept)
        at, _ = thresholds_of(context, table, recipe, learnt, parts)
    program = assemble("refit", context.hardware, parts, at, None, {})
    return Refit(program, table.trims, context.span_mm, parts, at)


def _check_groups(data: FrozenData, table: FeatureTable, recipe: ArrayRecipe) -> None:
    """What a recipe reads of pads that are read at several frequencies, only such pads have."""
    if "dispersion" in {*recipe.level_groups, *recipe.watch_groups} - {*table.groups}:
        raise InputError(
            f"frozen set '{data.frozen.name}'",
            "a sensor that reads each place at one frequency",
            "pads read at several frequencies, as the model's recipe has them",
            "train a model for this sensor",
        )


def unwatched(hardware: Hardware, refitted: Refit) -> Program:
    """The level net of a refit by itself, with its empty tank, and nothing withheld or flagged: what a model
    without a watcher would be.
    """
    builder = Builder(
        "unwatched",
        hardware.count_bits,
        hardware.channels,
        hardware.period_ms,
        hardware.span,
        hardware.period_tolerance_pct,
        trim_range=trim_range(refitted.parts.trimming),
        trim_kinds=kind_names(refitted.parts.trimming),
    )
    nodes = emit_features(builder, refitted.parts.trimming, refitted.parts.level_groups)
    raw = emit_net(
        builder, nodes.joined(builder, refitted.parts.level_groups), refitted.parts.level, "level_raw", SCALE
    )
    zero, one = builder.const(0), builder.const(1)
    dry = builder.node("greater", builder.const(refitted.at.empty_below), nodes.wettest)
    level = builder.node(
        "where", dry, zero, builder.node("clip", raw, scale=SCALE, low=0, high=hardware.span)
    )
    return builder.finish(
        low=zero,
        level=level,
        high=builder.const(hardware.span),
        validity=builder.node("add", one, dry),
        flags=zero,
    )
