"""Small nets of clipped units: fitted in floats on integer features, written in integers, the layers after
one of few bits fitted on to what it gives.

A net's layers are pairs of weights (inputs, outputs) and biases (outputs,) on features as they come, in units
of 1/4096; standardising is folded into the first layer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dataset.errors import ProgramError
from training.fits.levenberg import FitProblem, Layers, activations, fit_layers, improve_layers
from training.fits.quantise import dense_ints
from training.program import Builder, Interval
from training.rows import Floats

# a hidden unit lies in 0..2**14, for 0..1 of the float net: products with 16-bit weights stay within 31 bits
ACTIVATION_BITS = 14
_FEWEST_BITS = 8  # and in no less than 0..2**8
_NARROW, _IMPROVING = (
    12,
    25,
    # weights of fewer bits lose so much that the layers after them are fitted to what is left, in so many
    # steps
)


@dataclass(frozen=True)
class Net:
    """Float layers, first to last; hidden units are clipped to 0..1, the last layer is linear."""

    layers: Layers

    def predict(self, features: Floats) -> Floats:
        """Outputs, (n, outputs)."""
        return activations(self.layers, np.asarray(features, np.float64))[-1]


@dataclass(frozen=True)
class NetPlan:
    """How a net is fitted: units of its hidden layers, seed, most ``steps`` from the best of so many
    ``starts``, ridge.

    ``huber``: the error, in units of a single target, from which on it counts less than by its square; None
    for plain squares.
    """

    hidden: tuple[int, ...]
    seed: int
    steps: int
    ridge: float = 1e-6
    huber: float | None = None
    starts: int = 1


def fit_net(features: Floats, targets: Floats, weights: Floats, plan: NetPlan) -> Net:
    """Fit by ``plan``; features (n, inputs), targets (n,) or (n, outputs), weights (n,)."""
    y = np.asarray(targets, np.float64).reshape(len(targets), -1)
    centre, spread = np.average(features, axis=0, weights=weights), _spread(features)
    middle, scale = np.average(y, axis=0, weights=weights), _spread(y)
    problem = FitProblem(
        ((features - centre) / spread).astype(np.float32),
        ((y - middle) / scale).astype(np.float32),
        weights / weights.sum(),
        None if plan.huber is None else plan.huber / float(scale[0]),
        plan.ridge,
    )
    layers = list(fit_layers(problem, plan.hidden, plan.seed, plan.steps, plan.starts))
    first = layers[0][0] / spread[:, None]
    layers[0] = (first, layers[0][1] - centre @ first)
    layers[-1] = (layers[-1][0] * scale, layers[-1][1] * scale + middle)
    return Net(_pruned(layers, features))


def _pruned(layers: list[tuple[Floats, Floats]], features: Floats) -> Layers:
    """The layers without hidden units that give the same for all of ``features``: a bias of the next layer
    does that; one unit stays.
    """
    for k in range(len(layers) - 1):
        outputs = activations((*layers[: k + 1], layers[k + 1]), features)[k]
        alive = np.ptp(outputs, axis=0) > 1e-9
        alive[0] |= not alive.any()
        after, bias = layers[k + 1]
        layers[k] = (layers[k][0][:, alive], layers[k][1][alive])
        layers[k + 1] = (after[alive], bias + outputs[0][~alive] @ after[~alive])
    return tuple(layers)


def _spread(values: Floats) -> Floats:
    spread = values.std(axis=0)
    spread[spread == 0] = 1.0
    return np.asarray(spread, np.float64)


@dataclass(frozen=True)
class IntLayer:
    """Weights (outputs, inputs), bias (outputs,) and shift, and what a hidden layer is clipped to."""

    weights: tuple[tuple[int, ...], ...]
    bias: tuple[int, ...]
    shift: int
    high: int


@dataclass(frozen=True)
class IntNet:
    """Integer layers; hidden ones are clipped to 0 and their ``high``, which stands for 1 of the
    float net.
    """

    layers: tuple[IntLayer, ...]

    def activations(self, features: Floats) -> list[Floats]:
        """What each layer gives on integer features (n, inputs), exactly as the program's operations do."""
        outputs, x = [], np.asarray(features, np.int64)
        for k, layer in enumerate(self.layers):
            total = x @ np.asarray(layer.weights, np.int64).T + np.asarray(layer.bias, np.int64)
            x = total if layer.shift == 0 else (total + (1 << (layer.shift - 1))) >> layer.shift
            if k < len(self.layers) - 1:
                x = np.clip(x, 0, layer.high)
            outputs.append(x)
        return [np.asarray(a, np.float64) for a in outputs]


def quantise_net(
    net: Net,
    features: Floats,
    bounds: tuple[Sequence[int], Sequence[int]],
    bits: int,
    out_scale: float,
    *,
    refit_on: tuple[Floats, Floats] | None = None,
    huber: float | None = None,
) -> IntNet:
    """The net in integers, its first layer's weights in ``bits`` bits and the later ones in 16; outputs in
    steps of 1/``out_scale``.

    ``bounds``: least and greatest value of each feature. ``refit_on``: targets (n, outputs) and weights (n,)
        of the rows of
    ``features``; the layers after a first one of few bits are then fitted to them on its integer activations,
    with the loss of :func:`fit_net`. Raises ProgramError where the weights do not fit.
    """
    interval = Interval(tuple(bounds[0]), tuple(bounds[1]))
    layers: list[IntLayer] = []
    pending = list(net.layers)
    before = 1  # integer steps of the inputs per float unit
    while len(pending) > 1:
        weights, bias = pending.pop(0)
        first = not layers
        layers.append(_hidden_ints(weights / before, bias, interval, bits if first else 16))
        before = layers[-1].high
        interval = Interval((0,) * len(bias), (before,) * len(bias))
        if first and bits < _NARROW and refit_on is not None:
            hidden = np.clip(IntNet(tuple(layers)).activations(features)[-1], 0, before)
            pending = list(_improved(pending, hidden / before, *refit_on, huber))
    weights, bias = pending[0]
    last = dense_ints((weights * (out_scale / before)).T, bias * out_scale, interval, 16)
    return IntNet((*layers, IntLayer(last.weights, last.bias, last.shift, 0)))


def _hidden_ints(weights: Floats, bias: Floats, interval: Interval, bits: int) -> IntLayer:
    """A hidden layer with as many steps to a unit, at most 2**14, as the width of its weights allows. Raises
    ProgramError where that is too few.
    """
    for steps in range(ACTIVATION_BITS, _FEWEST_BITS, -1):
        try:
            ints = dense_ints(np.ldexp(weights, steps).T, np.ldexp(bias, steps), interval, bits)
        except ProgramError:
            continue
        return IntLayer(ints.weights, ints.bias, ints.shift, 1 << steps)
    ints = dense_ints(np.ldexp(weights, _FEWEST_BITS).T, np.ldexp(bias, _FEWEST_BITS), interval, bits)
    return IntLayer(ints.weights, ints.bias, ints.shift, 1 << _FEWEST_BITS)


def _improved(
    layers: Sequence[tuple[Floats, Floats]], x: Floats, targets: Floats, weights: Floats, huber: float | None
) -> Layers:
    """The later layers of a net fitted on to what its first layer gives, x (n, units)."""
    scale = _spread(targets)
    scaled = list(layers)
    scaled[-1] = (scaled[-1][0] / scale, scaled[-1][1] / scale)
    task = FitProblem(
        x.astype(np.float32),
        (targets / scale).astype(np.float32),
        weights / weights.sum(),
        None if huber is None else huber / float(scale[0]),
        1e-6,
    )
    improved = list(improve_layers(task, tuple(scaled), _IMPROVING))
    improved[-1] = (improved[-1][0] * scale, improved[-1][1] * scale)
    return tuple(improved)


def emit_net(builder: Builder, features: str, net: IntNet, name: str, scale: str) -> str:
    """Append an integer net to a program; returns the node of its outputs."""
    x = features
    for k, layer in enumerate(net.layers):
        total = builder.node("dense", x, weights=layer.weights, bias=layer.bias)
        if k == len(net.layers) - 1:
            return builder.node("shift", total, name=name, scale=scale, shift=layer.shift)
        x = builder.node("clip", builder.node("shift", total, shift=layer.shift), low=0, high=layer.high)
    raise ValueError("a net without layers")
