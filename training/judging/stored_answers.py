"""Answers to limits as models keep them, in today's words. Light to import.

Version 0.1 wrote 'not shown' for what is 'not enough evidence', and for values beyond their bound on few
groups, which are 'not met'. Models never change, so their answers are read here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from dataset.words import LimitAnswer
from training.judging.figures import AnsweredLimit

_FORMERLY = "not shown"


def stored_answers(metrics: Mapping[str, object]) -> tuple[AnsweredLimit, ...]:
    """The answers among a model's metrics, one for each row of its limits; empty without limits."""
    claims, rows = metrics.get("claims"), metrics.get("limits")
    span = claims.get("span_mm") if isinstance(claims, Mapping) else None
    span_mm = float(span) if isinstance(span, int | float) else None
    answers = [AnsweredLimit.from_json(row) for row in (rows if isinstance(rows, list) else ())]
    return tuple(
        replace(row, answer=str(_answer(row, span_mm))) if row.answer == _FORMERLY else row
        for row in answers
        if row is not None
    )


def unproven(metrics: Mapping[str, object]) -> tuple[str, ...]:
    """A sentence for each limit without enough evidence, and one for a model without any limits."""
    rows = stored_answers(metrics)
    if not rows:
        return ("no limits were given: nothing says whether the figures are good enough",)
    return tuple(
        f"{row.metric} of {row.condition}: {row.reason}" for row in rows if row.answer == LimitAnswer.UNPROVEN
    )


def _answer(row: AnsweredLimit, span_mm: float | None) -> LimitAnswer:
    bound = row.bound
    if row.or_mm is not None and span_mm:
        bound = max(bound, 100 * row.or_mm / span_mm)
    beyond = row.value is not None and row.value > bound
    return LimitAnswer.NOT_MET if beyond else LimitAnswer.UNPROVEN
