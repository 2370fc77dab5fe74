"""Small nets of rectified units: fitted in floats on integer features, written in integers, their last layer refitted on the integers.

A net's layers are pairs of weights (inputs, outputs) and biases (outputs,) on features as they come, in units of 1/4096; standardising
is folded into the first layer.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPRegressor

from training.program import Builder
from training.quantise import dense_ints
from training.rows import Floats

ACTIVATION_BITS = 14  # a hidden unit lies in 0..2**14: products with 16-bit weights stay within 31 bits
ACTIVATION_HIGH = 1 << ACTIVATION_BITS
_HEADROOM = 1.25  # a hidden unit may go so far beyond its greatest value in 'fit' before it saturates
_RIDGE = 1e-4  # of the mean square of an activation: keeps the refit near the float weights where activations hardly vary


@dataclass(frozen=True)
class Net:
    """Float layers, first to last; the last one is linear. ``reach``: for each hidden layer the greatest activation met in fitting, (units,)."""

    layers: tuple[tuple[Floats, Floats], ...]
    reach: tuple[Floats, ...]

    def predict(self, features: Floats) -> Floats:
        """Outputs, (n, outputs)."""
        return self.activations(features)[-1]

    def activations(self, features: Floats) -> list[Floats]:
        """What each layer gives, hidden layers rectified."""
        made, x = [], np.asarray(features, np.float64)
        for k, (weights, bias) in enumerate(self.layers):
            x = x @ weights + bias
            if k < len(self.layers) - 1:
                x = np.maximum(x, 0.0)
            made.append(x)
        return made


def fit_net(features: Floats, targets: Floats, weights: Floats, hidden: Sequence[int], seed: int, *, steps: int, penalty: float = 1e-3) -> Net:
    """Fit by L-BFGS for at most ``steps`` steps; features (n, inputs), targets (n,) or (n, outputs), weights (n,).

    Targets are brought to a standard deviation of several units, since the solver stops on absolute changes of the loss; with
    levels as fractions of the span it would stop long before the net is good.
    """
    y = np.asarray(targets, np.float64).reshape(len(targets), -1)
    centre, spread = np.average(features, axis=0, weights=weights), _spread(features)
    middle, scale = np.average(y, axis=0, weights=weights), _spread(y)
    gain = 6.0
    net = MLPRegressor(
        hidden_layer_sizes=tuple(hidden), activation="relu", solver="lbfgs", alpha=penalty, max_iter=steps, max_fun=20 * steps, tol=1e-9, random_state=seed,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # stopped by the number of steps, as meant
        scaled = (y - middle) / scale * gain
        net.fit((features - centre) / spread, scaled if scaled.shape[1] > 1 else scaled[:, 0], sample_weight=weights)
    layers = [(np.asarray(w, np.float64), np.asarray(b, np.float64)) for w, b in zip(net.coefs_, net.intercepts_, strict=True)]
    first = layers[0][0] / spread[:, None]
    layers[0] = (first, layers[0][1] - centre @ first)
    layers[-1] = (layers[-1][0] * (scale / gain), layers[-1][1] * (scale / gain) + middle)
    return _pruned(layers, features)


def _pruned(layers: list[tuple[Floats, Floats]], features: Floats) -> Net:
    """The net without hidden units that are never active on ``features``; one unit of each layer stays."""
    reach = []
    for k in range(len(layers) - 1):
        greatest = Net(tuple(layers), ()).activations(features)[k].max(axis=0)
        alive = np.flatnonzero(greatest > 1e-9)
        alive = alive if len(alive) else np.asarray([0])
        layers[k] = (layers[k][0][:, alive], layers[k][1][alive])
        layers[k + 1] = (layers[k + 1][0][alive], layers[k + 1][1])
        reach.append(np.maximum(greatest[alive], 1e-9))
    return Net(tuple(layers), tuple(reach))


def _spread(values: Floats) -> Floats:
    spread = values.std(axis=0)
    spread[spread == 0] = 1.0
    return np.asarray(spread, np.float64)


@dataclass(frozen=True)
class IntNet:
    """Integer layers: weights (outputs, inputs), bias and shift of each; hidden layers are clipped to 0..2**14."""

    layers: tuple[tuple[tuple[tuple[int, ...], ...], tuple[int, ...], int], ...]

    def activations(self, features: Floats) -> list[Floats]:
        """What each layer gives on integer features (n, inputs), exactly as the program's operations do."""
        made, x = [], np.asarray(features, np.int64)
        for k, (weights, bias, shift) in enumerate(self.layers):
            total = x @ np.asarray(weights, np.int64).T + np.asarray(bias, np.int64)
            x = total if shift == 0 else (total + (1 << (shift - 1))) >> shift
            if k < len(self.layers) - 1:
                x = np.clip(x, 0, ACTIVATION_HIGH)
            made.append(x)
        return [np.asarray(a, np.float64) for a in made]


def quantise_net(
    net: Net, features: Floats, bounds: tuple[Sequence[int], Sequence[int]], bits: int, out_scale: float, *, refit_on: tuple[Floats, Floats] | None = None
) -> IntNet:
    """The net in integers, its first layer's weights in ``bits`` bits and the later ones in 16; outputs in steps of 1/``out_scale``.

    ``bounds``: least and greatest value of each feature. ``refit_on``: targets (n, outputs) and weights (n,) of the rows of
    ``features``; the last layer is then refitted to them on the integer activations, which takes up most of what narrow weights lose.
    Raises ProgramError where the weights do not fit.
    """
    from training.program import Interval

    interval = Interval(tuple(bounds[0]), tuple(bounds[1]))
    layers: list[tuple[tuple[tuple[int, ...], ...], tuple[int, ...], int]] = []
    before = np.ones(net.layers[0][0].shape[0])  # integer steps of each input per float unit
    for k, reach in enumerate(net.reach):
        weights, bias = net.layers[k]
        scale = ACTIVATION_HIGH / (reach * _HEADROOM)
        its = dense_ints((weights / before[:, None] * scale).T, bias * scale, interval, bits if k == 0 else 16)
        layers.append((its.weights, its.bias, its.shift))
        before, interval = scale, Interval((0,) * len(reach), (ACTIVATION_HIGH,) * len(reach))
    weights, bias = net.layers[-1]
    last, offset = (weights / before[:, None]) * out_scale, bias * out_scale
    if refit_on is not None and layers:
        hidden = np.clip(IntNet(tuple(layers)).activations(features)[-1], 0, ACTIVATION_HIGH)
        last, offset = _refit(hidden, refit_on[0] * out_scale, refit_on[1], last, offset)
    its = dense_ints(last.T, offset, interval, 16)
    return IntNet((*layers, (its.weights, its.bias, its.shift)))


def _refit(hidden: Floats, targets: Floats, weights: Floats, start: Floats, offset: Floats) -> tuple[Floats, Floats]:
    """Ridge regression towards the float weights, in closed form."""
    x = np.hstack([hidden, np.ones((len(hidden), 1))])
    scaled = x * weights[:, None]
    gram = scaled.T @ x / len(x)
    ridge = np.diag(np.append(np.full(hidden.shape[1], _RIDGE * max(float(np.mean(hidden**2)), 1.0)), 1e-9))
    old = np.vstack([start, offset])
    found = np.linalg.solve(gram + ridge, scaled.T @ targets / len(x) + ridge @ old)
    return np.asarray(found[:-1], np.float64), np.asarray(found[-1], np.float64)


def emit_net(builder: Builder, features: str, its: IntNet, name: str, scale: str) -> str:
    """Append an integer net to a program; returns the node of its outputs."""
    x = features
    for k, (weights, bias, shift) in enumerate(its.layers):
        total = builder.node("dense", x, weights=weights, bias=bias)
        if k == len(its.layers) - 1:
            return builder.node("shift", total, name=name, scale=scale, shift=shift)
        x = builder.node("clip", builder.node("shift", total, shift=shift), low=0, high=ACTIVATION_HIGH)
    raise ValueError("a net without layers")
