"""Limits answered from the figures by class: met, not met, or not shown with the reason.

With a confidence, a quantile of errors is answered by the worst group: the largest of n groups' figures bounds a further group's with
confidence n / (n + 1). A rate is answered by its Clopper-Pearson bound over episodes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dataset.records import Limit, Limits

_FIGURE = {"rmse_mm": "rmse_mm", "p50_abs_mm": "p50_mm", "p95_abs_mm": "p95_mm", "max_abs_mm": "max_mm", "p95_pct_span": "p95_pct"}


def answer_classes(limits: Limits | None, figures: Mapping[str, Any] | None, beyond: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """One answer a limit, from the figures of the prove groups (None when nothing was proved)."""
    return [] if limits is None else [_row(row, figures, beyond) for row in limits.rows]


def _row(row: Limit, figures: Mapping[str, Any] | None, beyond: Mapping[str, Any] | None) -> dict[str, Any]:
    value, said, reason = (None, "not shown", "the frozen set has no 'prove' groups") if figures is None else _said(row, figures, beyond or {})
    return {
        "metric": row.metric, "condition": row.condition, "bound": row.bound, "confidence": row.confidence, "min_groups": row.min_groups,
        "value": value, "answer": said, "reason": reason,
    }  # fmt: skip


def _said(row: Limit, figures: Mapping[str, Any], beyond: Mapping[str, Any]) -> tuple[float | None, str, str]:  # noqa: PLR0911
    place = _place(row, figures)
    if place is None:
        return None, "not shown", f"no frames of condition '{row.condition}' in the prove groups"
    value = beyond.get("accepted_share") if row.metric == "beyond_accepted_share" else value_of(row, figures, place)
    groups = int(place.get("groups", 0))
    if value is None:
        return None, "not shown", "no prove frame gave a value"
    if groups < row.min_groups:
        return value, "not shown", f"{groups} prove groups, the limit asks for {row.min_groups}"
    if value > row.bound:
        return value, "not met", f"{value:.4g} is above {row.bound:g} on {groups} groups"
    if row.confidence is not None and row.metric not in ("worst_group_rmse_mm", "false_wet_episodes"):
        least = row.confidence / (1 - row.confidence)
        worst = place.get("worst_group_p95_mm")
        if row.metric != "p95_abs_mm" or worst is None:
            return value, "not shown", f"{value:.4g} is within {row.bound:g}, but no bound at a confidence is known for this metric"
        if groups < least - 1e-9:
            return value, "not shown", f"{groups} prove groups, a confidence of {row.confidence:g} needs {least:.0f}"
        if worst > row.bound:
            return value, "not met", f"the worst of {groups} groups, {worst:.4g}, is above {row.bound:g}"
    return value, "met", f"{value:.4g} is within {row.bound:g} on {groups} groups"


def _place(row: Limit, figures: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Figures of a class, or of a liquid, unit, coupling or other place of that name."""
    own = {"false_wet_episodes": "empty", "dry_missed_share": "dry"}.get(row.metric, row.condition)
    places: list[Mapping[str, Any]] = [figures["classes"], *figures["by"].values()]
    return next((its[own] for its in places if own in its), None)


def value_of(row: Limit, figures: Mapping[str, Any], place: Mapping[str, Any]) -> float | None:
    """The figure that a limit bounds."""
    if row.metric == "false_wet_episodes":
        return float(figures["false_wet"]["wrong"])
    if row.metric == "dry_missed_share":
        share = figures["dry_recognised_share"]
        return None if share is None else 1 - float(share)
    if row.metric == "withheld_share":
        return 1 - float(place["accepted_share"])
    if row.metric == "worst_group_rmse_mm":
        worst = figures.get("worst_group_rmse_mm")
        return None if worst is None else float(worst)
    value = place.get(_FIGURE.get(row.metric, ""))
    return None if value is None else float(value)


def meets_classes(limits: Limits | None, figures: Mapping[str, Any]) -> bool | None:
    """Whether choose figures lie within every limit that they can speak of; None without limits. Numbers of groups and confidences are left to 'prove'."""
    if limits is None:
        return None
    for row in limits.rows:
        place = _place(row, figures)
        value = None if place is None or row.metric == "beyond_accepted_share" else value_of(row, figures, place)
        if value is not None and value > row.bound:
            return False
    return True
