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
    rows = metrics.get("limits")
    return [
        {**row, "answer": str(_answer(row, span_mm))} if row.get("answer") == _FORMERLY else row
        for row in (rows if isinstance(rows, list) else ())
        if isinstance(row, dict)
    ]


def unproven(metrics: Mapping[str, Any]) -> tuple[str, ...]:
    """A sentence for each limit without enough evidence, and one for a model without any limits."""
    rows = stored_answers(metrics)
    if not rows:
        return ("no limits were given: nothing says whether the figures are good enough",)
    return tuple(
        f"{row.get('metric')} of {row.get('condition')}: {row.get('reason')}"
        for row in rows
        if row.get("answer") == LimitAnswer.UNPROVEN
    )


def _answer(row: Mapping[str, Any], span_mm: float | None) -> LimitAnswer:
    value, bound, or_mm = (row.get(name) for name in ("value", "bound", "or_mm"))
    if value is None or bound is None:
        return LimitAnswer.UNPROVEN
    if or_mm is not None and span_mm:
        bound = max(bound, 100 * or_mm / span_mm)
    beyond = value > bound
    return LimitAnswer.NOT_MET if beyond else LimitAnswer.UNPROVEN
