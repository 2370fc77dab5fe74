"""What a chosen program is worth on 'prove': its figures by class, and its scores beside those of its float
model; the same for every kind of model.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dataset.records import FrozenData, Role
from training.judging.class_figures import figures_of
from training.judging.curves import (
    confusion_rows,
    error_boxes,
    errors_by_class_level,
    errors_by_level,
    operating_points,
    predicted_levels,
    risk_curves,
    unit_errors,
)
from training.judging.figures import Figures, FitRows, PowerOn, Prove
from training.judging.judged import judge
from training.judging.power_on import power_on
from training.judging.scoring import answers_of, beyond, by_group, score
from training.judging.traces import worst_traces
from training.program import Program
from training.rows import Mask
from training.search.candidates import Candidate
from training.search.context import SearchContext


def proved(context: SearchContext, picked: Candidate, program: Program) -> tuple[Prove, Figures]:
    """Scores and figures by class on 'prove' of the ``program`` that was written of the candidate picked, but
    for those of :func:`cold_starts`.
    """
    data, rows = context.data, context.data.rows(Role.PROVE)
    judged = judge(program, data, rows, picked.trims, context.span_mm)
    floats = picked.float_model(context).levels(rows)
    answers = answers_of(judged, data.group[rows], floats, known_levels(context))
    integer = score(answers, answers.level_mm)
    names = {k: group for k, (group, _) in enumerate(data.frozen.roles)}
    prove = Prove(
        integer=integer,
        floats=score(answers, answers.float_mm),
        by_group=by_group(answers, names),
        beyond=beyond(answers),
    )
    doubts = picked.doubts(context, rows)
    figures = replace(
        figures_of(judged),
        by_level=errors_by_level(judged),
        boxes=error_boxes(judged),
        confusion=confusion_rows(judged),
        risk={} if doubts is None else risk_curves(judged, doubts.scores),
        operating={} if doubts is None else operating_points(judged),
        worst_group_rmse_mm=integer.worst_group_rmse_mm,
        by_class_level=errors_by_class_level(judged),
        predicted=predicted_levels(judged),
        units=unit_errors(judged),
        traces=worst_traces(judged),
    )
    return prove, figures


def cold_starts(context: SearchContext, picked: Candidate, program: Program) -> PowerOn:
    """What the program does on 'prove' when it is switched on."""
    return power_on(program, context.data, context.data.rows(Role.PROVE), picked.trims)


def known_levels(context: SearchContext) -> tuple[float, float]:
    """Least and greatest label that is fitted on, mm."""
    level = context.data.level_mm[context.fit]
    return float(level.min()), float(level.max())


def fit_rows(data: FrozenData, fit: Mask) -> FitRows:
    """What is fitted on, in numbers."""
    level = data.level_mm[fit]
    return FitRows(len(np.unique(data.group[fit])), int(fit.sum()), float(level.min()), float(level.max()))
