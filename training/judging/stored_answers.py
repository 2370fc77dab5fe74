"""Answers to limits as models keep them, in today's words. Light to import.

Version 0.1 wrote 'not shown' for what is 'not enough evidence', and for values beyond their bound on few
groups, which are 'not met'. Models never change, so their answers are read here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dataset.words import LimitAnswer

_FORMERLY = "not shown"


def stored_answers(metrics: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The answers among a model's metrics, one for each row of its limits; empty without limits."""
    claims = metrics.get("claims")
    span_mm = claims.get("span_mm") if isinstance(claims, Mapping) else None
    return [
        {**row, "answer": str(_answer(row, span_mm))} if row.get("answer") == _FORMERLY else row
        for row in metrics.get("limits") or ()
    ]


def _answer(row: Mapping[str, Any], span_mm: float | None) -> LimitAnswer:
    value, bound, or_mm = (row.get(name) for name in ("value", "bound", "or_mm"))
    if value is None or bound is None:
        return LimitAnswer.UNPROVEN
    if or_mm is not None and span_mm:
        bound = max(bound, 100 * or_mm / span_mm)
    beyond = value > bound
    return LimitAnswer.NOT_MET if beyond else LimitAnswer.UNPROVEN
