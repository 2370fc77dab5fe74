"""The float twin of an array model, as a scikit-learn pipeline: counts and trim in one row,
level in mm out.
"""

from __future__ import annotations

import numpy as np
from sklearn.base import BaseEstimator, TransformerMixin
from sklearn.pipeline import Pipeline

from dataset.records import FrozenData
from training.fits.regressors import LevelRegressor
from training.models.features import still_features
from training.models.nets import Net
from training.models.trimming import SHARE_HIGH, SHARE_LOW, SHARE_ONE, Trimming
from training.rows import Floats, Ints, Mask


class Trimmer(TransformerMixin, BaseEstimator):  # type: ignore[misc]  # no types are published
    """Rows of counts (channels) and trim (kind after kind) to still features; what it does is settled before,
    so fit learns nothing.
    """

    def __init__(self, trimming: Trimming, groups: tuple[str, ...]) -> None:
        self.trimming, self.groups = trimming, groups

    def fit(self, X: Floats, y: Floats | None = None) -> Trimmer:
        """Note the number of columns."""
        self.n_features_in_ = X.shape[1]
        return self

    def transform(self, X: Floats) -> Floats:
        """Features (n, width) in units of 1/4096."""
        trimming, n = self.trimming, self.trimming.channels
        given = np.asarray(X, np.float64)
        dry = given[:, n : 2 * n] if trimming.kinds else np.asarray(trimming.dry, np.float64)[None, :]
        swing = np.asarray(trimming.swing, np.float64)[None, :]
        if len(trimming.kinds) > 1:
            swing = np.clip(
                trimming.rises(given[:, 2 * n :], dry) @ np.asarray(trimming.mix).T, *trimming.swing_range
            )
        shares = trimming.rises(np.clip(given[:, :n], *trimming.clip), dry) * SHARE_ONE / swing
        return still_features(np.clip(shares, SHARE_LOW, SHARE_HIGH), self.groups, trimming)


class DeepRegressor(LevelRegressor):
    """A net of several layers of units clipped to 0..1: pairs of weights (inputs, outputs) and biases, the
    last one linear, level in mm.
    """

    def __init__(self, layers: tuple[tuple[Floats, Floats], ...], span_mm: float) -> None:
        self.layers, self.span_mm = layers, span_mm

    def raw(self, features: Floats) -> Floats:
        """Levels before clipping."""
        return Net(self.layers).predict(features)[:, 0]


def float_pipeline(trimming: Trimming, groups: tuple[str, ...], net: Net, span_mm: float) -> Pipeline:
    """The pipeline of a trimming and a level net."""
    width = trimming.channels * (1 + len(trimming.kinds))
    trimmer = Trimmer(trimming, groups).fit(np.zeros((1, width)))
    model = DeepRegressor(net.layers, span_mm)
    model.n_features_in_ = net.layers[0][0].shape[0]
    return Pipeline([("trimmer", trimmer), ("model", model)])


def float_rows(data: FrozenData, trims: Ints, rows: Mask | Ints) -> Floats:
    """Counts and trims of rows side by side, (n, channels * (1 + kinds))."""
    return np.hstack([data.counts[rows], trims[data.session[rows]]]).astype(np.float64)
