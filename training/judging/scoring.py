"""How well readings meet their labels: all groups weighted equally, and withheld frames are counted, never
hidden.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from training.judging.figures import Beyond, GroupScore, LevelBin, Score
from training.judging.judged import Judged
from training.rows import Floats, Ints, Mask

LEVEL_BINS = 20  # of the span
FEWEST_FRAMES = 5  # of fewer frames a 5 % and a 95 % quantile are the extremes under another name
SIGNIFICANT = 6  # digits that figures are kept with, so that their text is the same on every run


@dataclass(frozen=True)
class Answers:
    """What a model said of labelled frames, each of shape (n,).

    ``level_mm`` of the integer program (meaningless where not ``accepted``), ``float_mm`` of the float
    pipeline, ``inside``: the label lies in the range of the fit labels.
    """

    label_mm: Floats
    group: Ints
    level_mm: Floats
    float_mm: Floats
    accepted: Mask
    inside: Mask


def answers_of(judged: Judged, group: Ints, floats: Floats, known_mm: tuple[float, float]) -> Answers:
    """What was said of the judged rows beside the levels of the float model, (n,) each; ``known_mm``: least
    and greatest label of the fit.
    """
    label = judged.label_mm
    return Answers(
        label,
        group,
        np.nan_to_num(judged.level_mm),
        np.nan_to_num(floats),
        judged.accepted,
        (label >= known_mm[0]) & (label <= known_mm[1]),
    )


def score(answers: Answers, levels: Floats) -> Score:
    """Figures of ``levels`` (``level_mm`` or ``float_mm`` of ``answers``) on the accepted frames inside the
    fit labels' range.

    ``rmse_mm`` is the root of the mean over groups of the group's mean square error. Errors are None when no
    frame is accepted.
    """
    used = answers.inside & answers.accepted
    error = levels[used] - answers.label_mm[used]
    squares = _by_group(error**2, answers.group[used])
    inside = int(answers.inside.sum())
    groups = len(np.unique(answers.group[answers.inside]))
    return Score(
        rmse_mm=tidy(np.sqrt(np.mean(squares))) if len(squares) else None,
        worst_group_rmse_mm=tidy(np.sqrt(np.max(squares))) if len(squares) else None,
        p95_abs_mm=tidy(np.quantile(np.abs(error), 0.95)) if len(error) else None,
        withheld_share=tidy(1 - used.sum() / inside) if inside else None,
        groups=groups,
        groups_without_reading=groups - len(squares),
        frames=inside,
    )


def beyond(answers: Answers) -> Beyond:
    """Frames whose label lies outside the range of the fit labels, and the share of them that was accepted
    all the same.
    """
    frames = int((~answers.inside).sum())
    share = tidy(answers.accepted[~answers.inside].mean()) if frames else None
    return Beyond(frames, share, len(np.unique(answers.group[~answers.inside])))


def by_group(answers: Answers, names: Mapping[int, str]) -> tuple[GroupScore, ...]:
    """One row a group: mean label, frames, and error and bias of the integer program on accepted frames
    inside the range.
    """
    rows = []
    for group in np.unique(answers.group):
        mine = answers.group == group
        used = mine & answers.inside & answers.accepted
        error = answers.level_mm[used] - answers.label_mm[used]
        rows.append(
            GroupScore(
                group=names[int(group)],
                level_mm=tidy(answers.label_mm[mine].mean()),
                frames=int(mine.sum()),
                accepted=int((mine & answers.accepted).sum()),
                beyond=int((mine & ~answers.inside).sum()),
                rmse_mm=tidy(np.sqrt(np.mean(error**2))) if len(error) else None,
                bias_mm=tidy(error.mean()) if len(error) else None,
            )
        )
    return tuple(rows)


def by_level(label_mm: Floats, error_mm: Floats, u_mm: Floats, span_mm: float) -> tuple[LevelBin, ...]:
    """Signed errors (n,) in equal bins of the span: quantiles in mm, and the label's uncertainty (root mean
    square; None where no ``u_mm`` is known).

    A bin of fewer than FEWEST_FRAMES readings is left out. ``level_mm`` is the mean label of the bin's
    readings.
    """
    inside = np.clip((label_mm / span_mm * LEVEL_BINS).astype(np.int64), 0, LEVEL_BINS - 1)
    bins = []
    for k in range(LEVEL_BINS):
        rows = inside == k
        if rows.sum() < FEWEST_FRAMES:
            continue
        low, middle, high = (tidy(v) for v in np.quantile(error_mm[rows], (0.05, 0.5, 0.95)))
        known = u_mm[rows]
        uncertainty = None if np.isnan(known).all() else tidy(np.sqrt(np.nanmean(known**2)))
        bins.append(LevelBin(tidy(label_mm[rows].mean()), int(rows.sum()), low, middle, high, uncertainty))
    return tuple(bins)


def fewest_groups(confidence: float) -> int:
    """How many groups split conformal needs: the largest of fewer figures, as well as a band from fewer
    scores, bounds a further group's with less than this confidence.
    """
    return math.ceil(confidence / (1 - confidence) - 1e-9)


def tidy(value: float | np.floating[Any]) -> float:
    """``value`` with six significant digits."""
    return float(f"{float(value):.{SIGNIFICANT}g}")


def _by_group(values: Floats, group: Ints) -> Floats:
    groups, label = np.unique(group, return_inverse=True)
    return np.asarray(
        np.bincount(label, values, len(groups)) / np.bincount(label, minlength=len(groups)), dtype=np.float64
    )
