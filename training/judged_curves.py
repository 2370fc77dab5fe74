"""What plots of a judged model need, kept small: quantiles of the error by level, and risk against acceptance over the doubt score."""

from __future__ import annotations

from typing import Any

import numpy as np

from training.judged import Judged
from training.operating import Operating, Scores
from training.rows import Mask
from training.scoring import tidy

LEVEL_BINS = 20  # of the span
FEWEST_FRAMES = 5  # of fewer frames a 5 % and a 95 % quantile are the extremes under another name
ACCEPTED = (0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 0.98, 0.99, 1.0)  # shares that a threshold of doubt is set for


def errors_by_level(its: Judged) -> list[dict[str, Any]]:
    """Signed errors of accepted readings of liquid in equal bins of the span: quantiles in mm, and the label's uncertainty (root mean square).

    A bin of fewer than FEWEST_FRAMES readings is left out. ``level_mm`` is the mean label of the bin's readings.
    """
    used = its.accepted & ~its.states.empty
    inside = np.clip((its.label_mm / its.span_mm * LEVEL_BINS).astype(np.int64), 0, LEVEL_BINS - 1)
    made = []
    for k in range(LEVEL_BINS):
        rows = used & (inside == k)
        if rows.sum() < FEWEST_FRAMES:
            continue
        low, middle, high = (tidy(v) for v in np.quantile(its.error_mm[rows], (0.05, 0.5, 0.95)))
        known = its.u_mm[rows]
        uncertainty = None if np.isnan(known).all() else tidy(np.sqrt(np.nanmean(known**2)))
        made.append({
            "level_mm": tidy(its.label_mm[rows].mean()), "frames": int(rows.sum()), "p05_mm": low, "p50_mm": middle, "p95_mm": high, "label_u_mm": uncertainty,
        })  # fmt: skip
    return made


def risk_curves(its: Judged, scores: Scores, at: Operating) -> dict[str, list[dict[str, Any]]]:
    """By class of liquid: the P95 of the error in mm of what would be accepted, were doubt alone to decide, for thresholds from strict to none.

    ``scores`` are of the rows of ``its``. The error is of the level before it is withheld; frames of equal doubt are accepted together, so that
    the share reached may lie above the one that the threshold was set for.
    """
    return {name: _curve(its, scores, at, rows) for name, rows in its.classes().items() if name in ("clean", "foam", "film")}


def _curve(its: Judged, scores: Scores, at: Operating, rows: Mask) -> list[dict[str, Any]]:
    doubt, size = scores.doubt[rows], np.abs(scores.level_mm(at) - its.label_mm)[rows]
    points: dict[int, dict[str, Any]] = {}
    for threshold in np.quantile(doubt, ACCEPTED, method="higher"):
        given = doubt <= threshold
        points[int(threshold)] = {"doubt": int(threshold), "accepted_share": tidy(given.mean()), "p95_mm": tidy(np.quantile(size[given], 0.95))}
    return [points[threshold] for threshold in sorted(points)]
