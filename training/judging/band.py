"""The band around a level: split conformal over calibrate groups, thresholds frozen before.

The claim speaks of a group never seen (a unit, say): with 90 % probability, at least 90 % of its accepted
readings have the true level inside the band. Each calibrate group gives one score: the 90 % quantile of its
errors, each over a half width that belongs to its side and to whether foam or film was flagged. The band is
those half widths times the k-th smallest score, k = ceil((n + 1) 0.9) (Lei et al., JASA 113 (2018) 1094;
coverage given the calibration groups follows Beta(k, n + 1 - k), Marques, arXiv:2303.02770).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from training.judging.judged import Judged
from training.models.recipes import Band
from training.program import FLAG_BITS, LEVEL_UNITS_PER_MM
from training.rows import Floats, Mask

SHARE = 0.9  # of a group's accepted readings, and of groups
LEAST_MM = 0.1
NOT_DRAWN = (
    "temperature bands are chosen, not drawn, and an error band holds for groups that are all "
    "alike: units, say"
)
_FLAGGED = FLAG_BITS["foam"] | FLAG_BITS["film"]


@dataclass(frozen=True)
class Widths:
    """Half widths in mm before they are scaled, (plain, flagged): how far the truth lies below a level, and
    above it.
    """

    below: tuple[float, float]
    above: tuple[float, float]


def widths_of(judged: Judged) -> Widths:
    """Half widths from choose rows: the 90 % quantile of the errors on each side, plain and flagged; both
    alike where none was flagged.
    """
    used = judged.accepted & ~judged.states.empty
    flagged = (judged.flags & _FLAGGED) != 0

    def side(sign: float, rows: Mask) -> float:
        over = np.maximum(sign * judged.error_mm[rows], 0.0)
        return max(float(np.quantile(over, SHARE)) if rows.any() else 0.0, LEAST_MM)

    plain = used & ~flagged
    other = used & flagged if (used & flagged).any() else plain
    return Widths((side(1, plain), side(1, other)), (side(-1, plain), side(-1, other)))


def scores(judged: Judged, widths: Widths) -> Floats:
    """One score a group with an accepted reading, in the order of the groups' names."""
    used = judged.accepted & ~judged.states.empty
    flagged = ((judged.flags & _FLAGGED) != 0).astype(np.int64)
    over = np.nan_to_num(judged.error_mm)
    each = np.maximum(over / np.asarray(widths.below)[flagged], -over / np.asarray(widths.above)[flagged])
    groups = judged.places["group"]
    return np.asarray(
        [np.quantile(each[used & groups.rows_of(g)], SHARE, method="higher") for g in groups[used].found()],
        np.float64,
    )


def conformal(values: Floats, share: float = SHARE) -> float | None:
    """The k-th smallest of n scores, k = ceil((n + 1) share); None where k is above n."""
    k = math.ceil((len(values) + 1) * share - 1e-9)
    return None if k > len(values) else float(np.sort(values)[k - 1])


def band_of(widths: Widths, scale: float) -> Band:
    """The half widths of the program, in level units, rounded outwards."""
    units = [
        math.ceil(w * scale * LEVEL_UNITS_PER_MM)
        for w in (widths.below[0], widths.above[0], widths.below[1], widths.above[1])
    ]
    return Band(*units)
