"""The float models, one scikit-learn regressor a family: features (n, channels) to the level in mm, clipped
to the tank.
"""

from __future__ import annotations

import numpy as np
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.ensemble import GradientBoostingRegressor

from training.rows import Floats


class LevelRegressor(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # no types are published
    """Holds numbers that a family has found; ``predict`` is the float definition of the family.

    ``fit`` learns nothing: a family's own function does the fitting and hands the result to the constructor,
    so that the float pipeline, its ONNX form and the integers are three readings of the same numbers.
    ``quantisation_error_mm``: root mean square distance from the curve that the numbers stand for, between
    the levels as well as at them (0 where there is no such curve).
    """

    span_mm: float
    quantisation_error_mm: float = 0.0

    def fit(self, X: Floats, y: Floats | None = None) -> LevelRegressor:
        """Note the number of features."""
        self.n_features_in_ = X.shape[1]
        return self

    def predict(self, X: Floats) -> Floats:
        """Levels in mm, shape (n,)."""
        return np.clip(self.raw(np.asarray(X, dtype=np.float64)), 0.0, self.span_mm)

    def raw(self, features: Floats) -> Floats:
        """Levels before clipping, shape (n,)."""
        raise NotImplementedError


class LineRegressor(LevelRegressor):
    """``features @ weights + bias``; weights (channels,)."""

    def __init__(self, weights: Floats, bias: float, span_mm: float) -> None:
        self.weights, self.bias, self.span_mm = weights, bias, span_mm

    def raw(self, features: Floats) -> Floats:
        """Levels before clipping."""
        return np.asarray(features @ self.weights + self.bias, dtype=np.float64)


class HingeRegressor(LevelRegressor):
    """A polyline over the axis ``features @ weights + bias``: ``knots`` on that axis, ``values`` in mm; flat
    beyond its ends.
    """

    def __init__(
        self,
        weights: Floats,
        bias: float,
        knots: Floats,
        values: Floats,
        quantisation_error_mm: float,
        span_mm: float,
    ) -> None:
        self.weights, self.bias, self.knots, self.values, self.span_mm = weights, bias, knots, values, span_mm
        self.quantisation_error_mm = quantisation_error_mm

    def raw(self, features: Floats) -> Floats:
        """Levels before clipping."""
        return np.interp(features @ self.weights + self.bias, self.knots, self.values)


class NetRegressor(LevelRegressor):
    """One hidden layer of rectified units: ``max(features @ hidden + hidden_bias, 0) @ weights + bias``.

    Shapes: hidden (channels, units), hidden_bias and weights (units,).
    """

    def __init__(
        self, hidden: Floats, hidden_bias: Floats, weights: Floats, bias: float, span_mm: float
    ) -> None:
        self.hidden, self.hidden_bias, self.weights, self.bias, self.span_mm = (
            hidden,
            hidden_bias,
            weights,
            bias,
            span_mm,
        )

    def raw(self, features: Floats) -> Floats:
        """Levels before clipping."""
        return np.asarray(
            np.maximum(features @ self.hidden + self.hidden_bias, 0.0) @ self.weights + self.bias,
            dtype=np.float64,
        )


class TreesRegressor(LevelRegressor):
    """Boosted trees on clipped counts, whose thresholds are whole numbers.

    A count is above 1234.5 exactly when it is above 1234, and whole thresholds below 2**24 are the same
    number in single
    precision: the float model, its ONNX form and the integers take the same branches.
    """

    def __init__(self, trees: GradientBoostingRegressor, span_mm: float) -> None:
        self.trees, self.span_mm = trees, span_mm

    def raw(self, features: Floats) -> Floats:
        """Levels before clipping."""
        return np.asarray(self.trees.predict(features), dtype=np.float64)
