"""The families of models: how each is fitted, and how each becomes operations of a program."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, Protocol, TypeVar

import numpy as np
from sklearn.ensemble import GradientBoostingRegressor
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPRegressor

from training.fits.axis import level_axis
from training.fits.curves import cells, reduce_to, through
from training.fits.least_squares import linear
from training.fits.quantise import dense_ints, hinge_ints, weight_limit
from training.fits.regressors import (
    HingeRegressor,
    LevelRegressor,
    LineRegressor,
    NetRegressor,
    TreesRegressor,
)
from training.models.conditioning import FEATURE_MAX, Conditioning
from training.program import LEVEL_UNITS_PER_MM, Builder
from training.rows import Floats, Rows

R = TypeVar("R", bound=LevelRegressor)
BITS = (8, 16)
_SCALE = f"1/{LEVEL_UNITS_PER_MM} mm"


@dataclass(frozen=True)
class FamilyTask:
    """What a family is fitted to: frames, their features (n, channels), the tank's span in mm, the seed."""

    rows: Rows
    features: Floats
    conditioning: Conditioning
    span_mm: float
    seed: int


class Family(Protocol):
    """Sizes to choose from, one fit for several sizes, and the operations of a fitted model."""

    name: ClassVar[str]
    uses_law: ClassVar[bool]  # False: works on clipped counts as they are

    def sizes(self, channels: int) -> tuple[int, ...]: ...

    def fit(self, task: FamilyTask, sizes: Sequence[int]) -> Mapping[int, LevelRegressor]: ...

    def emit(self, builder: Builder, features: str, model: LevelRegressor, bits: int) -> str: ...


def _own(model: LevelRegressor, kind: type[R]) -> R:
    """The model as one of the family's own kind. Raises TypeError for another family's."""
    if not isinstance(model, kind):
        raise TypeError(f"a {type(model).__name__}; expected a {kind.__name__}")
    return model


class LineFamily:
    """A weighted sum of the features. Size: always 1."""

    name: ClassVar[str] = "line"
    uses_law: ClassVar[bool] = True

    def sizes(self, channels: int) -> tuple[int, ...]:
        return (1,)

    def fit(self, task: FamilyTask, sizes: Sequence[int]) -> Mapping[int, LevelRegressor]:
        line = fit_line(task)
        return dict.fromkeys(sizes, LineRegressor(line[:-1], float(line[-1]), task.span_mm))

    def emit(self, builder: Builder, features: str, model: LevelRegressor, bits: int) -> str:
        model = _own(model, LineRegressor)
        return _emit_dense(
            builder,
            features,
            model.weights[None, :] * LEVEL_UNITS_PER_MM / FEATURE_MAX,
            np.asarray([model.bias * LEVEL_UNITS_PER_MM]),
            bits,
        )


class HingeFamily:
    """A polyline through the mean position of each level; several channels are projected to one axis first.
    Size: knots.
    """

    name: ClassVar[str] = "hinge"
    uses_law: ClassVar[bool] = True

    def sizes(self, channels: int) -> tuple[int, ...]:
        return (4, 6, 8, 12, 16)

    def fit(self, task: FamilyTask, sizes: Sequence[int]) -> Mapping[int, LevelRegressor]:
        weights, bias = level_axis(task.features, task.rows)
        curve = through(cells(task.features @ weights + bias, task.rows.level_mm, task.rows.group))
        lines = {size: reduce_to(curve, size) for size in sizes}
        return {
            size: HingeRegressor(weights, bias, line.knots, line.values, line.departure, task.span_mm)
            for size, line in lines.items()
        }

    def emit(self, builder: Builder, features: str, model: LevelRegressor, bits: int) -> str:
        model = _own(model, HingeRegressor)
        axis = features
        if builder.channels > 1:
            axis = _emit_dense(
                builder,
                features,
                model.weights[None, :],
                np.asarray([model.bias * FEATURE_MAX]),
                16,
                scale="axis",
            )
        table = hinge_ints(model.knots * FEATURE_MAX, model.values * LEVEL_UNITS_PER_MM, bits)
        return builder.node(
            "hinge",
            axis,
            scale=_SCALE,
            knots=table.knots,
            values=table.values,
            slopes=table.slopes,
            shift=table.shift,
        )


class TreesFamily:
    """Gradient-boosted trees of depth 3 on clipped counts. Size: trees."""

    name: ClassVar[str] = "trees"
    uses_law: ClassVar[bool] = False

    def sizes(self, channels: int) -> tuple[int, ...]:
        return (8, 16, 32)

    def fit(self, task: FamilyTask, sizes: Sequence[int]) -> Mapping[int, LevelRegressor]:
        models = {}
        for size in sizes:
            boosted = GradientBoostingRegressor(
                n_estimators=size, learning_rate=min(1.0, 4 / size), max_depth=3, random_state=task.seed
            )
            boosted.fit(task.features, task.rows.level_mm, sample_weight=task.rows.weights)
            for tree in boosted.estimators_[:, 0]:
                tree.tree_.threshold[:] = np.floor(tree.tree_.threshold)
            models[size] = TreesRegressor(boosted, task.span_mm)
        return models

    def emit(self, builder: Builder, features: str, model: LevelRegressor, bits: int) -> str:
        model = _own(model, TreesRegressor)
        top = builder.interval(features).high[0]
        tables, leaf_step = _tree_tables(model.trees, top, bits)
        total = builder.node(
            "trees",
            features,
            roots=tables.roots,
            feature=tables.feature,
            threshold=tables.threshold,
            child=tables.child,
            value=tables.value,
            depth=tables.depth,
        )
        start = float(np.ravel(model.trees.init_.constant_)[0])
        return _emit_dense(
            builder, total, np.asarray([[leaf_step]]), np.asarray([start * LEVEL_UNITS_PER_MM]), 16
        )


class NetFamily:
    """A net with one hidden layer of rectified units. Size: units."""

    name: ClassVar[str] = "net"
    uses_law: ClassVar[bool] = True

    def sizes(self, channels: int) -> tuple[int, ...]:
        return (4, 8) if channels == 1 else (4, 8, 16)

    def fit(self, task: FamilyTask, sizes: Sequence[int]) -> Mapping[int, LevelRegressor]:
        weights = task.rows.weights
        centre = np.average(task.features, axis=0, weights=weights)
        spread = np.sqrt(np.average((task.features - centre) ** 2, axis=0, weights=weights))
        spread[spread == 0] = 1.0
        models = {}
        for size in sizes:
            net = MLPRegressor(
                hidden_layer_sizes=(size,),
                activation="relu",
                solver="lbfgs",
                alpha=1e-2,
                max_iter=300,
                max_fun=3000,
                random_state=task.seed,
            )
            with warnings.catch_warnings():
                warnings.simplefilter(
                    "ignore", ConvergenceWarning
                )  # stopped by the number of steps, as meant
                net.fit(
                    (task.features - centre) / spread,
                    task.rows.level_mm / task.span_mm,
                    sample_weight=weights,
                )
            hidden = net.coefs_[0] / spread[:, None]
            models[size] = NetRegressor(
                hidden,
                net.intercepts_[0] - centre @ hidden,
                net.coefs_[1][:, 0] * task.span_mm,
                float(net.intercepts_[1][0] * task.span_mm),
                task.span_mm,
            )
        return models

    def emit(self, builder: Builder, features: str, model: LevelRegressor, bits: int) -> str:
        """Each unit is scaled to its own greatest value, so that no unit saturates and all use the whole
        weight width.
        """
        model = _own(model, NetRegressor)
        reach = np.asarray(builder.interval(features).high) / FEATURE_MAX
        greatest = np.maximum(model.hidden, 0.0).T @ reach + model.hidden_bias
        alive = np.flatnonzero(greatest > 0)
        if not len(alive):
            return builder.const(round(model.bias * LEVEL_UNITS_PER_MM), scale=_SCALE)
        greatest = greatest[alive]
        first = model.hidden[:, alive].T / greatest[:, None]
        hidden = _emit_dense(
            builder,
            features,
            first,
            model.hidden_bias[alive] / greatest * FEATURE_MAX,
            bits,
            scale="share of the unit's greatest value",
        )
        hidden = builder.node("clip", hidden, low=0, high=FEATURE_MAX)
        second = model.weights[alive] * greatest * LEVEL_UNITS_PER_MM / FEATURE_MAX
        return _emit_dense(
            builder, hidden, second[None, :], np.asarray([model.bias * LEVEL_UNITS_PER_MM]), bits
        )


FAMILIES: Mapping[str, Family] = {
    f.name: f for f in (LineFamily(), HingeFamily(), TreesFamily(), NetFamily())
}


def fit_line(task: FamilyTask) -> Floats:
    """Weights and bias of the least-squares line, shape (channels + 1,)."""
    design = np.hstack([task.features, np.ones((len(task.features), 1))])
    return linear(design, task.rows.level_mm, task.rows.weights)


def _emit_dense(
    builder: Builder, x: str, weights: Floats, bias: Floats, bits: int, scale: str = _SCALE
) -> str:
    layer = dense_ints(weights, bias, builder.interval(x), bits)
    total = builder.node("dense", x, weights=layer.weights, bias=layer.bias)
    return builder.node("shift", total, scale=scale, shift=layer.shift)


@dataclass(frozen=True)
class _TreeTables:
    """Attributes of the operation ``trees``."""

    roots: tuple[int, ...]
    feature: tuple[int, ...]
    threshold: tuple[int, ...]
    child: tuple[int, ...]
    value: tuple[int, ...]
    depth: int


def _tree_tables(boosted: GradientBoostingRegressor, top: int, bits: int) -> tuple[_TreeTables, float]:
    """The tables of all trees, siblings side by side, and the level units that one step of a
    leaf stands for.
    """
    trees = [estimator.tree_ for estimator in boosted.estimators_[:, 0]]
    leaves = [tree.value[:, 0, 0] * boosted.learning_rate * LEVEL_UNITS_PER_MM for tree in trees]
    largest = max(
        float(np.abs(value[tree.children_left < 0]).max()) for tree, value in zip(trees, leaves, strict=True)
    )
    leaf_step = max(largest, 1.0) / weight_limit(bits)
    roots: list[int] = []
    nodes: list[list[int]] = []  # feature, threshold, child, value
    for tree, value in zip(trees, leaves, strict=True):
        roots.append(len(nodes))
        nodes.append([0, top, len(nodes), 0])
        places = [(0, len(nodes) - 1)]
        for source, place in places:
            left = int(tree.children_left[source])
            if left < 0:
                nodes[place] = [0, top, place, round(float(value[source]) / leaf_step)]
                continue
            nodes[place] = [int(tree.feature[source]), int(tree.threshold[source]), len(nodes), 0]
            places += [(left, len(nodes)), (int(tree.children_right[source]), len(nodes) + 1)]
            nodes += [[0, top, len(nodes), 0], [0, top, len(nodes) + 1, 0]]
    feature, threshold, child, values = (tuple(column) for column in zip(*nodes, strict=True))
    depth = max(1, *(int(tree.max_depth) for tree in trees))
    return _TreeTables(tuple(roots), feature, threshold, child, values, depth), leaf_step
