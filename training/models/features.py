"""Features of a pad array, made from wet shares in integers; every feature is in units of 1/4096.

A group of features is a name; a model takes several. ``shares`` are the pads themselves. ``ratios`` are the
pads over the wettest one, which takes the liquid's permittivity and the coupling to earth out; near empty
there is no wet pad to divide by, so that the denominator has a floor. ``unrest`` is how much all pads
together change from frame to frame, in a running mean: foam flickers (Shi et al., Meas. Sci. Technol. 2
(1991) 923, detect it by the fluctuating part of the capacitance). One value and not one for each pad: nets
that were given the unrest of each pad knew foam on the units they were fitted to and missed it on others.
``flow`` is how far the sum of
all pads is from its running mean: whether the tank fills or drains, which tells a film from liquid and one
meniscus from the other. ``steps`` are differences of neighbours, which trees cannot form for themselves (to a
net they add nothing, being sums of ratios). ``dispersion`` is, of each place that is read at several
frequencies, how much more it shows at the lower than at the highest: a film or a foam of a liquid that
conducts does, the liquid itself does not (Maxwell and Wagner's layers; von Hippel, Dielectrics and Waves,
1954; from memory). All other groups are then of the channels at the highest frequency of their place: a
lower one tells nothing more but the difference, and at it the film of an empty tank may read full. ``pour``
is what an appliance tells that knows its inlet: whether it is known when liquid last came in, and how recent
that is. Foam comes with a pour and breaks from then on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from training.models.trimming import SHARE_BITS, SHARE_HIGH, SHARE_LOW, SHARE_ONE, Trimming, emit_shares
from training.program import NO_POUR, Builder, running_range
from training.rows import Floats

GROUPS = ("shares", "ratios", "steps", "flow", "unrest", "dispersion", "pour")
HALF_AS_RECENT_S = 20  # after so many seconds a pour counts half: tens of seconds matter, minutes are alike
WET_FLOOR = SHARE_ONE // 8  # least denominator of the ratios: noise of a dry pad over this stays small
RATIO_HIGH = SHARE_ONE + SHARE_ONE // 16
MEAN_SHIFT = 3  # a running mean over about eight frames
SLOW_SHIFT = 4  # and over about sixteen: of the sum of all pads, and of their unrest
_FLOW_HIGH = 2 * SHARE_ONE
_RECIPROCAL_BITS = 24
_UNREST_GAIN = 2  # bits that it is raised by: changes are a few per cent of a swing
_UNREST_HIGH = SHARE_ONE // 4  # of all pads together


@dataclass(frozen=True)
class Features:
    """Names of nodes: each group of features, the shares, and the wettest pad's share."""

    groups: Mapping[str, str]
    shares: str
    wettest: str

    def joined(self, builder: Builder, groups: Sequence[str]) -> str:
        """The features of several groups, one after the other."""
        names = [self.groups[group] for group in groups]
        return names[0] if len(names) == 1 else builder.node("concat", *names)


def groups_of(trimming: Trimming, groups: Sequence[str]) -> tuple[str, ...]:
    """The groups, with that of places read at several frequencies where there are such places."""
    return (*groups, "dispersion") if trimming.pairs else tuple(groups)


def columns(groups: Sequence[str], of: Sequence[str], trimming: Trimming) -> list[int]:
    """Which columns of features of the groups ``of`` belong to ``groups``."""
    starts, at = {}, 0
    for group in of:
        starts[group] = at
        at += width((group,), trimming)
    return [starts[group] + k for group in groups for k in range(width((group,), trimming))]


def width(groups: Sequence[str], trimming: Trimming) -> int:
    """How many features the groups have."""
    n = len(trimming.telling)
    others = {"steps": n - 1, "flow": 1, "unrest": 1, "dispersion": len(trimming.pairs), "pour": 2}
    return sum(others.get(group, n) for group in groups)


def emit_features(builder: Builder, trimming: Trimming, groups: Sequence[str]) -> Features:
    """Append trimming and features to a program."""
    shares = emit_shares(builder, trimming)
    telling = builder.node("take", shares, indices=trimming.telling) if trimming.pairs else shares
    wettest = builder.node("reduce_max", telling, name="wettest") if builder.channels > 1 else telling
    nodes = {"shares": telling}
    if "ratios" in groups or "steps" in groups:
        nodes["ratios"] = _emit_ratios(builder, telling, wettest)
    if "steps" in groups:
        nodes["steps"] = _emit_steps(builder, nodes["ratios"])
    if {"flow", "unrest"} & set(groups):
        fresh = _emit_fresh(builder)
        if "flow" in groups:
            nodes["flow"] = _emit_flow(builder, telling, fresh)
        if "unrest" in groups:
            nodes["unrest"] = _emit_unrest(builder, telling, fresh)
    if "dispersion" in groups:
        nodes["dispersion"] = _emit_dispersion(builder, shares, trimming)
    if "pour" in groups:
        nodes["pour"] = _emit_pour(builder)
    return Features(nodes, shares, wettest)


def _emit_dispersion(builder: Builder, shares: str, trimming: Trimming) -> str:
    low, high = (builder.node("take", shares, indices=at) for at in zip(*trimming.pairs, strict=True))
    return builder.node("sub", low, high, name="dispersion")


def _emit_pour(builder: Builder) -> str:
    """Whether the last pour is known, 0 or 1, and how recent it is, from 1 down; both 0 where it is not
    known.
    """
    known = builder.node("greater", "since_pour", builder.const(NO_POUR), name="is_pour_known")
    seconds = builder.node("clip", "since_pour", low=0, high=builder.longest_pour_s)
    half = builder.const(HALF_AS_RECENT_S)
    recent = builder.node("ratio", half, builder.node("add", seconds, half), floor=1, bits=SHARE_BITS)
    full = builder.node("mul", known, builder.const(SHARE_ONE))
    return builder.node("concat", full, builder.node("mul", known, recent), name="pour")


def without_pour(groups: Sequence[str]) -> tuple[str, ...]:
    """The groups that are of what the pads show."""
    return tuple(group for group in groups if group != "pour")


def _emit_ratios(builder: Builder, shares: str, wettest: str) -> str:
    """One division a frame: the reciprocal of the wettest pad, then a product a pad."""
    floored = builder.node("max", wettest, builder.const(WET_FLOOR))
    reciprocal = builder.node("divide", builder.const(1 << _RECIPROCAL_BITS), floored)
    wet = builder.node("clip", shares, low=0, high=SHARE_HIGH)
    ratio = builder.node("shift", builder.node("mul", wet, reciprocal), shift=_RECIPROCAL_BITS - SHARE_BITS)
    return builder.node("clip", ratio, name="ratios", low=0, high=RATIO_HIGH)


def _emit_steps(builder: Builder, ratios: str) -> str:
    n = builder.interval(ratios).size
    lower, upper = (
        builder.node("take", ratios, indices=at) for at in (tuple(range(n - 1)), tuple(range(1, n)))
    )
    return builder.node("sub", lower, upper, name="steps")


def _emit_fresh(builder: Builder) -> str:
    """0 in the first frame after power-on, then 1."""
    started = builder.state("started", (0,), (0,), (1,))
    builder.renew("started", builder.const(1))
    return started


def _emit_flow(builder: Builder, shares: str, started: str) -> str:
    n = builder.interval(shares).size
    total = builder.node("dense", shares, weights=((1,) * n,), bias=(0,))
    usual = _emit_running(builder, "total", total, started, n * SHARE_LOW, n * SHARE_HIGH)
    return builder.node(
        "clip", builder.node("sub", total, usual), name="flow", low=-_FLOW_HIGH, high=_FLOW_HIGH
    )


def _emit_running(builder: Builder, name: str, x: str, started: str, low: int, high: int) -> str:
    """A running mean that starts at its first value."""
    bottom, top = running_range(low, high, SLOW_SHIFT)
    total = builder.state(f"{name}_sum", (0,), (bottom,), (top,))
    renewed = builder.node("running", x, total, shift=SLOW_SHIFT)
    first = builder.node("mul", x, builder.const(1 << SLOW_SHIFT))
    renewed = builder.node("where", started, renewed, first)
    builder.renew(total, renewed)
    return builder.node("shift", renewed, name=name, shift=SLOW_SHIFT)


def _emit_unrest(builder: Builder, shares: str, started: str) -> str:
    """The first frame has none before it and counts as still."""
    n = builder.interval(shares).size
    before = builder.state("shares_before", (0,) * n, (SHARE_LOW,) * n, (SHARE_HIGH,) * n)
    builder.renew(before, shares)
    changes = builder.node(
        "dense", builder.node("abs", builder.node("sub", shares, before)), weights=((1,) * n,), bias=(0,)
    )
    raised = builder.node(
        "mul", builder.node("clip", changes, low=0, high=_UNREST_HIGH), builder.const(1 << _UNREST_GAIN)
    )
    raised = builder.node("where", started, raised, builder.const(0))
    return _emit_running(builder, "unrest", raised, started, 0, _UNREST_HIGH << _UNREST_GAIN)


def still_features(shares: Floats | NDArray[np.int32], groups: Sequence[str], trimming: Trimming) -> Floats:
    """The same features without rounding, of shares (n, channels) in units of 1/4096 that have stood still;
    float64 (n, width). Nothing is known of pours.
    """
    telling = shares[:, list(trimming.telling)].astype(np.float64)
    wettest = np.maximum(telling.max(axis=1, keepdims=True), WET_FLOOR)
    ratios = np.clip(np.clip(telling, 0, None) * SHARE_ONE / wettest, 0, RATIO_HIGH)
    none = np.zeros((len(shares), 1))
    parts = {
        "shares": telling,
        "ratios": ratios,
        "steps": ratios[:, :-1] - ratios[:, 1:],
        "flow": none,
        "unrest": none,
        "dispersion": shares[:, [low for low, _ in trimming.pairs]]
        - shares[:, [high for _, high in trimming.pairs]],
        "pour": np.zeros((len(shares), 2)),
    }
    return np.hstack([parts[group] for group in groups])
