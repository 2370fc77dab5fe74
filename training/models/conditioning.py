"""From raw counts to features of one common width: clip to the trained range, undo the count law, scale.

The same arithmetic twice: in integers for the program, and as a scikit-learn transformer for the float model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from sklearn.base import BaseEstimator, TransformerMixin

from dataset.records import CountLaw
from dataset.values import MAD_TO_SD
from training.program import Builder, shift_round_int
from training.rows import Floats, Ints, Rows

FEATURE_BITS = (
    14  # a feature lies in 0..2**14: finer than the noise of a pad, and it leaves 17 bits for weights
)
FEATURE_MAX = 1 << FEATURE_BITS
_RISES_SHIFT = 30 - FEATURE_BITS
_END_SHARE = 0.005  # 'the end level' means within this share of the label range from its end
_MARGIN_SDS = 3.0


@dataclass(frozen=True)
class Conditioning:
    """What is done to each channel before the family sees it.

    ``low``, ``high``: the trained range of counts per channel; counts are clipped to it. ``law`` None leaves
        the clipped
    counts as they are. Otherwise the feature rises with the pad's capacitance, from 0 to about
    ``FEATURE_MAX``:

    * RISES: ``(count - low) * factor / 2**16``
    * FALLS: ``(high - count) * factor / (count / 2**preshift)``, which is a * (1/count - 1/high) for a fixed
    a. Taking the
      difference before dividing keeps the digits of a sensor whose counts move by a few per cent only.
    """

    law: CountLaw | None
    low: tuple[int, ...]
    high: tuple[int, ...]
    factors: tuple[int, ...]
    preshift: int

    @property
    def channels(self) -> int:
        return len(self.low)

    @property
    def feature_high(self) -> tuple[int, ...]:
        """The largest feature per channel."""
        return self.high if self.law is None else (FEATURE_MAX,) * self.channels

    def outside(self, counts: Ints) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Which frames have a count outside the trained range; shape (n,)."""
        return np.asarray(((counts < self.low) | (counts > self.high)).any(axis=1), dtype=np.bool_)

    def floats(self, counts: Ints | Floats) -> Floats:
        """The features of counts (n, channels) without rounding, in 0..1 (clipped counts when there is no
        law).
        """
        clipped = np.clip(np.asarray(counts, dtype=np.float64), self.low, self.high)
        if self.law is None:
            return clipped
        factors = np.asarray(self.factors, dtype=np.float64) / FEATURE_MAX
        if self.law is CountLaw.RISES:
            return np.asarray((clipped - self.low) * (factors / (1 << _RISES_SHIFT)), dtype=np.float64)
        return np.asarray(
            (np.asarray(self.high) - clipped) * (factors * (1 << self.preshift)) / clipped, dtype=np.float64
        )


@dataclass(frozen=True)
class Conditioned:
    """Names of nodes: the features, and 1 when a count lies outside the trained range."""

    features: str
    out_of_range: str


class Conditioner(TransformerMixin, BaseEstimator):  # type: ignore[misc]  # no types are published
    """``Conditioning.floats`` as a scikit-learn transformer; the conditioning is settled before, so fit
    learns nothing.
    """

    def __init__(self, conditioning: Conditioning) -> None:
        self.conditioning = conditioning

    def fit(self, X: Ints | Floats, y: Floats | None = None) -> Conditioner:
        """Note the number of channels."""
        self.n_features_in_ = self.conditioning.channels
        return self

    def transform(self, X: Ints | Floats) -> Floats:
        """Counts (n, channels) to features (n, channels)."""
        return self.conditioning.floats(X)


def trained_range(rows: Rows, count_max: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Per channel the lowest and highest count that a reading is given for.

    The range of the fit frames, widened on each side by three robust standard deviations of the counts at the
    end level
    which lies on that side: what a tank standing at that level may show by chance (and by spread between
    units, where the groups are units). Held-out frames play no part.
    """
    lowest, highest = rows.label_range
    slack = _END_SHARE * (highest - lowest)
    ends = [rows.counts[rows.level_mm <= lowest + slack], rows.counts[rows.level_mm >= highest - slack]]
    lows, highs = [], []
    for channel in range(rows.counts.shape[1]):
        count = rows.counts[:, channel]
        below, above = sorted(
            (float(np.median(end[:, channel])), _robust_sd(end[:, channel])) for end in ends
        )
        lows.append(max(int(np.floor(count.min() - _MARGIN_SDS * below[1])), 1))
        highs.append(min(int(np.ceil(count.max() + _MARGIN_SDS * above[1])), count_max))
    return tuple(lows), tuple(max(low, high) for low, high in zip(lows, highs, strict=True))


def _robust_sd(values: Ints) -> float:
    return float(MAD_TO_SD * np.median(np.abs(values - np.median(values))))


def conditioning(law: CountLaw | None, low: tuple[int, ...], high: tuple[int, ...]) -> Conditioning:
    """The conditioning of channels whose counts lie in [low, high], low at least 1; no product exceeds 31
    bits.
    """
    spans = [max(h - lo, 1) for lo, h in zip(low, high, strict=True)]
    if law is None:
        return Conditioning(law, low, high, (1,) * len(low), 0)
    if law is CountLaw.RISES:
        return Conditioning(law, low, high, tuple((1 << 30) // span for span in spans), 0)
    preshift = max(max(low).bit_length() - 16, 0)
    factors = (
        FEATURE_MAX * shift_round_int(lo, preshift) // span for lo, span in zip(low, spans, strict=True)
    )
    return Conditioning(law, low, high, tuple(max(f, 1) for f in factors), preshift)


def emit_conditioning(builder: Builder, conditioning: Conditioning) -> Conditioned:
    """Append the conditioning to a program."""
    clipped = _emit_clip(builder, conditioning)
    excess = builder.node("abs", builder.node("sub", "counts", clipped))
    worst = excess if conditioning.channels == 1 else builder.node("reduce_max", excess)
    out_of_range = builder.node("greater", worst, builder.const(0), name="out_of_range")
    return Conditioned(_emit_law(builder, conditioning, clipped), out_of_range)


def _emit_clip(builder: Builder, conditioning: Conditioning) -> str:
    if conditioning.channels == 1:
        return builder.node(
            "clip", "counts", name="clipped", low=conditioning.low[0], high=conditioning.high[0]
        )
    floored = builder.node("max", "counts", builder.const(*conditioning.low, name="count_low"))
    top = builder.const(*conditioning.high, name="count_high")
    room = builder.node("max", builder.node("sub", top, floored), builder.const(0))
    return builder.node("sub", top, room, name="clipped")


def _emit_law(builder: Builder, conditioning: Conditioning, clipped: str) -> str:
    if conditioning.law is None:
        return clipped
    factors = builder.const(*conditioning.factors, name="factors")
    scale = f"2^-{FEATURE_BITS} of the trained range"
    if conditioning.law is CountLaw.RISES:
        above = builder.node("sub", clipped, builder.const(*conditioning.low))
        return builder.node(
            "shift", builder.node("mul", above, factors), name="features", scale=scale, shift=_RISES_SHIFT
        )
    below = builder.node("sub", builder.const(*conditioning.high), clipped)
    divisor = (
        builder.node("shift", clipped, shift=conditioning.preshift) if conditioning.preshift else clipped
    )
    return builder.node("divide", builder.node("mul", below, factors), divisor, name="features", scale=scale)
