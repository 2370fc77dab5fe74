"""Limits answered: met, not met, or not shown with the reason."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dataset.records import Limit, Limits

ALL = "all"  # the only condition that frozen data can tell apart in this version


def meets(limits: Limits | None, figures: Mapping[str, Any]) -> bool | None:
    """Whether figures of the choosing stage lie within every limit that they can speak of; None without
    limits.

    Limits of a condition that the data does not hold, and of a metric that was not measured there, are left
    to 'prove'.
    """
    if limits is None:
        return None
    rows = [row for row in limits.rows if row.condition == ALL and row.metric in figures]
    return all(figures[row.metric] is not None and figures[row.metric] <= row.bound for row in rows)


def answer(limits: Limits | None, prove: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """One answer a limit, from the figures on 'prove' (None when nothing was proved)."""
    return [] if limits is None else [_row(row, prove) for row in limits.rows]


def _row(row: Limit, prove: Mapping[str, Any] | None) -> dict[str, Any]:
    value = None if prove is None or row.condition != ALL else _value(row.metric, prove)
    verdict, reason = _said(row, value, prove)
    return {
        "metric": row.metric,
        "condition": row.condition,
        "bound": row.bound,
        "confidence": row.confidence,
        "min_groups": row.min_groups,
        "value": value,
        "answer": verdict,
        "reason": reason,
    }


def _value(metric: str, prove: Mapping[str, Any]) -> float | None:
    value = (
        prove["beyond"]["accepted_share"]
        if metric == "beyond_accepted_share"
        else prove["integer"].get(metric)
    )
    return None if value is None else float(value)


def _said(row: Limit, value: float | None, prove: Mapping[str, Any] | None) -> tuple[str, str]:  # noqa: PLR0911 - a reason each
    if prove is None:
        return "not shown", "the frozen set has no 'prove' groups"
    if row.condition != ALL:
        return "not shown", f"no frames of condition '{row.condition}' in the frozen set"
    beyond = row.metric == "beyond_accepted_share"
    groups = prove["beyond"]["groups"] if beyond else prove["integer"]["groups"]
    if value is None:
        why = (
            "no 'prove' frame has a label beyond the fit labels"
            if beyond
            else "no 'prove' frame gave a value"
        )
        return "not shown", why
    if groups < row.min_groups:
        return "not shown", f"{groups} 'prove' {_plural(groups)}, the limit asks for {row.min_groups}"
    if value > row.bound:
        return "not met", f"{value:g} is above {row.bound:g} on {groups} {_plural(groups)}"
    if row.confidence is not None:
        return (
            "not shown",
            f"{value:g} is within {row.bound:g}, but bounds at a confidence are not computed in this version",
        )
    return "met", f"{value:g} is within {row.bound:g} on {groups} {_plural(groups)}"


def _plural(groups: int) -> str:
    return "group" if groups == 1 else "groups"
