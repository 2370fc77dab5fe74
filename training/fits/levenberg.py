"""Small nets fitted by the Levenberg-Marquardt method (Hagan and Menhaj, IEEE Trans. Neural Networks 5 (1994)
989).

With some hundreds of weights the whole Gauss-Newton matrix is cheap, and some tens of its steps end far below
where a thousand steps of a quasi-Newton method do. Hidden units are clipped to 0..1, which integers do for
nothing, and which bounds what a unit can reach. Errors may be weighed down by the pseudo-Huber loss, 2 d^2
(sqrt(1 + (r/d)^2) - 1), by reweighting (Holland and Welsch, Commun. Statist. A6 (1977) 813): frames that no
net can tell, such as some under foam, then bend the others less.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from training.rows import Floats

Singles = NDArray[np.float32]
Layers = tuple[tuple[Floats, Floats], ...]
_BLOCK = 4096  # rows at once: bounds the memory of the Jacobian
_DAMPING, _RAISE, _LOWER, _TRIES = 1e-2, 4.0, 0.2, 10
_TRIAL_SHARE, _TRIAL_ROWS = 4, 3000  # a start is tried for so large a part of the steps, on so many rows
_STALLED, _STALLED_OVER = 1e-4, 10  # so little gain over so many steps ends the fit
_SPREAD = 0.5  # standard deviation and centre of what units see at the start: about where they bend


@dataclass(frozen=True)
class FitProblem:
    """What a net is fitted to: rows x (n, inputs) of about unit spread, y (n, outputs), weights (n,) that add
    up to 1, loss, ridge.
    """

    x: Singles
    y: Singles
    weights: Floats
    huber: float | None
    ridge: float

    def blocks(self) -> Iterator[slice]:
        return (slice(at, at + _BLOCK) for at in range(0, len(self.x), _BLOCK))


def fit_layers(task: FitProblem, hidden: Sequence[int], seed: int, steps: int, starts: int = 1) -> Layers:
    """Layers, first to last, of a net fitted in at most ``steps`` steps; hidden units clipped to 0..1, the
    last layer linear.

    Where a fit ends depends on where it begins. Of several ``starts``, each goes a few steps on some of the
    rows, and the one of the least loss goes on.
    """
    sizes, rng = (task.x.shape[1], *hidden, task.y.shape[1]), np.random.default_rng(seed)
    if starts == 1:
        return _fitted(task, sizes, _start(sizes, rng), steps)
    first, some = max(steps // _TRIAL_SHARE, 1), _thinned(task)
    with threadpool_limits(limits=1):
        tried = [_descend(some, sizes, _start(sizes, rng), first) for _ in range(starts)]
        best = min(tried, key=lambda at: _loss(some, sizes, at))
        return _layers(_descend(task, sizes, best, steps - first), sizes)


def _thinned(task: FitProblem) -> FitProblem:
    """Every so many of the rows, at least :data:`_TRIAL_ROWS` where there are as many: enough to tell starts
    apart.
    """
    every = max(len(task.x) // _TRIAL_ROWS, 1)
    weights = task.weights[::every]
    return replace(task, x=task.x[::every], y=task.y[::every], weights=weights / weights.sum())


def improve_layers(task: FitProblem, layers: Layers, steps: int) -> Layers:
    """The same net after at most ``steps`` steps more."""
    sizes = (task.x.shape[1], *(len(bias) for _, bias in layers))
    start = np.concatenate([part.ravel() for layer in layers for part in layer])
    return _fitted(task, sizes, start, steps)


def _fitted(task: FitProblem, sizes: Sequence[int], start: Floats, steps: int) -> Layers:
    """One thread: sums in another order, as several threads make them, end in other last bits."""
    with threadpool_limits(limits=1):
        return _layers(_descend(task, sizes, start, steps), sizes)


def activations(layers: Layers, x: Floats | Singles) -> list[Floats]:
    """What each layer gives on rows (n, inputs)."""
    outputs = []
    for k, (weights, bias) in enumerate(layers):
        x = x @ weights + bias
        if k < len(layers) - 1:
            x = np.clip(x, 0, 1)
        outputs.append(x)
    return outputs


def _start(sizes: Sequence[int], rng: np.random.Generator) -> Floats:
    parts = []
    for k, (inputs, units) in enumerate(itertools.pairwise(sizes)):
        last = k == len(sizes) - 2
        parts.append(rng.normal(0, (1 if last else _SPREAD) / np.sqrt(inputs), (inputs, units)).ravel())
        parts.append(np.zeros(units) if last else _SPREAD + rng.uniform(-_SPREAD, _SPREAD, units))
    return np.concatenate(parts)


def _layers(at: Floats, sizes: Sequence[int]) -> Layers:
    layers, done = [], 0
    for inputs, units in itertools.pairwise(sizes):
        split, end = done + inputs * units, done + (inputs + 1) * units
        layers.append((at[done:split].reshape(inputs, units), at[split:end]))
        done = end
    return tuple(layers)


def _singles(layers: Layers) -> Layers:
    return tuple((w.astype(np.float32), b.astype(np.float32)) for w, b in layers)


def _descend(task: FitProblem, sizes: Sequence[int], at: Floats, steps: int) -> Floats:
    """Damped Gauss-Newton steps; a step that does not lower the loss is tried again with more damping."""
    damping, loss, gains = _DAMPING, _loss(task, sizes, at), list[float]()
    for _ in range(steps):
        matrix, slope = _normal(task, sizes, at)
        mean = np.trace(matrix) / len(at)
        for _ in range(_TRIES):
            damped = matrix + np.diag(np.full(len(at), damping * mean))
            tried = at - np.linalg.solve(damped, slope)
            lower = _loss(task, sizes, tried)
            if lower < loss:
                break
            damping *= _RAISE
        else:
            return at
        gains.append(1 - lower / loss)
        at, loss, damping = tried, lower, max(damping * _LOWER, 1e-9)
        if len(gains) >= _STALLED_OVER and sum(gains[-_STALLED_OVER:]) < _STALLED:
            break
    return at


def _loss(task: FitProblem, sizes: Sequence[int], at: Floats) -> float:
    layers, total = _singles(_layers(at, sizes)), task.ridge * float(at @ at)
    for rows in task.blocks():
        error = (activations(layers, task.x[rows])[-1] - task.y[rows]).astype(np.float64)
        cost = (
            error**2
            if task.huber is None
            else 2 * task.huber**2 * (np.sqrt(1 + (error / task.huber) ** 2) - 1)
        )
        total += float(task.weights[rows] @ cost.sum(axis=1))
    return total


def _normal(task: FitProblem, sizes: Sequence[int], at: Floats) -> tuple[Floats, Floats]:
    """The Gauss-Newton matrix and half the gradient of the loss."""
    layers = _singles(_layers(at, sizes))
    matrix, slope = np.diag(np.full(len(at), task.ridge)), task.ridge * at
    memory = np.empty((min(_BLOCK, len(task.x)), len(at)), np.float32)
    for rows in task.blocks():
        outputs = activations(layers, task.x[rows])
        error = outputs[-1] - task.y[rows]
        for output in range(sizes[-1]):
            errors = error[:, output]
            weights = (
                task.weights[rows]
                if task.huber is None
                else task.weights[rows] / np.sqrt(1 + (errors / task.huber) ** 2)
            )
            root = np.sqrt(weights).astype(np.float32)
            jacobian = memory[: len(errors)]
            _fill_jacobian(jacobian, layers, task.x[rows], outputs, output, root)
            matrix += jacobian.T @ jacobian
            slope += jacobian.T @ (errors * root)
    return matrix, slope


def _fill_jacobian(
    into: Singles, layers: Layers, x: Singles, outputs: Sequence[Floats], output: int, root: Singles
) -> None:
    """Derivatives of one output by all weights, times ``root`` (n,), written ``into`` (n, weights): from the
    last layer back.
    """
    end = into.shape[1]
    passed: Floats | Singles = np.zeros((len(x), layers[-1][0].shape[1]), np.float32)
    passed[:, output] = root
    for k in range(len(layers) - 1, -1, -1):
        before, (inputs, units) = (outputs[k - 1] if k else x), layers[k][0].shape
        into[:, end - units : end] = passed
        start = end - (inputs + 1) * units
        for j in range(inputs):
            np.multiply(passed, before[:, j, None], out=into[:, start + j * units : start + (j + 1) * units])
        if k:
            passed = (passed @ layers[k][0].T) * ((before > 0) & (before < 1))
        end = start
