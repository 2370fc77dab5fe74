"""What a chosen program is worth on 'prove': its figures by class, and its scores beside those of its float
model; the same for every kind of model.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from dataset.records import FrozenData, Role
from training.judging.class_figures import figures_of
from training.judging.curves import confusion_rows, error_boxes, errors_by_level, risk_curves
from training.judging.figures import Figures, FitRows, Prove
from training.judging.judged import judge
from training.judging.power_on import power_on
from training.judging.scoring import answers_of, beyond, by_group, score
from training.models.operating import Operating, Scores
from training.program import Program
from training.rows import Floats, Ints, Mask
from training.search.context import SearchContext


@dataclass(frozen=True)
class Doubts:
    """What decides on rows whether a level is given, (n,) each, and from where on it is not."""

    scores: Scores
    at: Operating


@dataclass(frozen=True)
class Chosen:
    """A program to be proved.

    ``trims`` (sessions, trim size) are those that it takes; ``floats`` gives the levels in mm of its float
    model on rows, ``doubts`` what it doubts there, None where it has no measure of doubt.
    """

    program: Program
    trims: Ints
    floats: Callable[[Mask], Floats]
    doubts: Callable[[Mask], Doubts | None]


def proved(context: SearchContext, chosen: Chosen) -> tuple[Prove | None, Figures | None]:
    """Scores and figures by class on 'prove'; None where nothing proves."""
    data, program = context.data, chosen.program
    rows = data.rows(Role.PROVE)
    if not rows.any():
        return None, None
    judged = judge(program, data, rows, chosen.trims, context.span_mm)
    answers = answers_of(judged, data.group[rows], chosen.floats(rows), known_levels(context))
    integer = score(answers, answers.level_mm)
    names = {k: group for k, (group, _) in enumerate(data.frozen.roles)}
    prove = Prove(
        integer=integer,
        floats=score(answers, answers.float_mm),
        by_group=by_group(answers, names),
        beyond=beyond(answers),
    )
    doubts = chosen.doubts(rows)
    figures = replace(
        figures_of(judged),
        power_on=power_on(program, data, rows, chosen.trims),
        by_level=errors_by_level(judged),
        boxes=error_boxes(judged),
        confusion=confusion_rows(judged),
        risk={} if doubts is None else risk_curves(judged, doubts.scores, doubts.at),
        worst_group_rmse_mm=integer.worst_group_rmse_mm,
    )
    return prove, figures


def known_levels(context: SearchContext) -> tuple[float, float]:
    """Least and greatest label that is fitted on, mm."""
    level = context.data.level_mm[context.fit]
    return float(level.min()), float(level.max())


def fit_rows(data: FrozenData, fit: Mask) -> FitRows:
    """What is fitted on, in numbers."""
    level = data.level_mm[fit]
    return FitRows(len(np.unique(data.group[fit])), int(fit.sum()), float(level.min()), float(level.max()))
