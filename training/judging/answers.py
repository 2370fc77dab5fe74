"""Limits answered: met, not met, or not enough evidence, with the reason; from the scores of few pads, and
from figures by class. A value beyond its bound is not met, on however few groups; one within it that was
found on too few is not enough evidence.

With a confidence, a figure by class that every group has is answered by the worst group: the largest of n
groups' figures bounds a further group's with confidence n / (n + 1) (split conformal; Lei et al., JASA 113
(2018) 1094). A rate of episodes is answered by its Clopper-Pearson bound. Groups that are bands of a scale
('ordered') are not exchangeable: no such bound follows from them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dataset.records import Limit, Limits
from dataset.text.limits_text import bound_text
from dataset.words import EPISODE_RATES, LimitAnswer
from training.judging.judged import upper_bound
from training.judging.scoring import fewest_groups, tidy

ALL = "all"  # the only condition that scores of few pads tell apart
Figures = Mapping[str, Any]
MET, NOT_MET, UNPROVEN = LimitAnswer.MET, LimitAnswer.NOT_MET, LimitAnswer.UNPROVEN
_FIGURE = {
    "rmse_mm": "rmse_mm",
    "p50_abs_mm": "p50_mm",
    "p95_abs_mm": "p95_mm",
    "max_abs_mm": "max_mm",
    "p95_pct_span": "p95_pct",
}
_OWN = {
    "false_wet_episodes": "empty",
    "false_wet_share": "empty",
    "dry_missed_share": "dry",
}  # the class that a metric speaks of
_WHOLE = (
    "false_dry_share",
    "band_missed_share",
    "longest_wrong_s",
    "longest_withheld_s",
    "first_reading_s",
    "beyond_accepted_share",
    "worst_group_rmse_mm",
)
NEVER = float("inf")  # seconds to a first reading that did not come


def meets_scores(limits: Limits | None, figures: Mapping[str, Any]) -> bool | None:
    """Whether figures of the choosing stage lie within every limit that they can speak of; None without
    limits.

    Limits of a condition that the data does not hold, and of a metric that was not measured there, are left
    to 'prove'.
    """
    if limits is None:
        return None
    rows = [row for row in limits.rows if row.condition == ALL and row.metric in figures]
    return all(figures[row.metric] is not None and figures[row.metric] <= row.bound for row in rows)


def answer_scores(limits: Limits | None, prove: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """One answer a limit, from the figures on 'prove' (None when nothing was proved)."""
    return [] if limits is None else [_score_answer(row, prove) for row in limits.rows]


def _score_answer(row: Limit, prove: Mapping[str, Any] | None) -> dict[str, Any]:
    value = None if prove is None or row.condition != ALL else _score_of(row.metric, prove)
    verdict, reason = _score_verdict(row, value, prove)
    return _entry(row, value, verdict, reason)


def _entry(row: Limit, value: float | None, verdict: LimitAnswer, reason: str) -> dict[str, Any]:
    """An answer as the metrics keep it."""
    return {
        "metric": row.metric,
        "condition": row.condition,
        "bound": row.bound,
        "confidence": row.confidence,
        "min_groups": row.min_groups,
        "value": value,
        "answer": str(verdict),
        "reason": reason,
    }


def _score_of(metric: str, prove: Mapping[str, Any]) -> float | None:
    value = (
        prove["beyond"]["accepted_share"]
        if metric == "beyond_accepted_share"
        else prove["integer"].get(metric)
    )
    return None if value is None else float(value)


def _score_verdict(  # noqa: PLR0911 - a reason each
    row: Limit, value: float | None, prove: Mapping[str, Any] | None
) -> tuple[LimitAnswer, str]:
    if prove is None:
        return UNPROVEN, "the frozen set has no 'prove' groups"
    if row.condition != ALL:
        return UNPROVEN, f"no frames of condition '{row.condition}' in the frozen set"
    beyond = row.metric == "beyond_accepted_share"
    groups = prove["beyond"]["groups"] if beyond else prove["integer"]["groups"]
    if value is None:
        why = (
            "no 'prove' frame has a label beyond the fit labels"
            if beyond
            else "no 'prove' frame gave a value"
        )
        return UNPROVEN, why
    if value > row.bound:
        return NOT_MET, f"{value:g} is above {row.bound:g} on {groups} {_plural(groups)}"
    if groups < row.min_groups:
        return UNPROVEN, f"{groups} 'prove' {_plural(groups)}, the limit asks for {row.min_groups}"
    if row.confidence is not None:
        return (
            UNPROVEN,
            f"{value:g} is within {row.bound:g}, but bounds at a confidence are not computed in this version",
        )
    return MET, f"{value:g} is within {row.bound:g} on {groups} {_plural(groups)}"


def _plural(groups: int) -> str:
    return "group" if groups == 1 else "groups"


def answer_classes(
    limits: Limits | None, figures: Figures | None, beyond: Figures | None
) -> list[dict[str, Any]]:
    """One answer a limit, from the figures of the prove groups (None when nothing was proved)."""
    return [] if limits is None else [_class_answer(row, figures, beyond) for row in limits.rows]


def _class_answer(row: Limit, figures: Figures | None, beyond: Figures | None) -> dict[str, Any]:
    value, verdict, reason = (
        (None, UNPROVEN, "the frozen set has no 'prove' groups")
        if figures is None
        else _class_verdict(row, figures, beyond)
    )
    answer = _entry(row, None if value == NEVER else value, verdict, reason)
    return answer if row.or_mm is None else answer | {"or_mm": row.or_mm}


def _class_verdict(
    row: Limit, figures: Figures, beyond: Figures | None
) -> tuple[float | None, LimitAnswer, str]:
    place = _place(row, figures)
    if place is None:
        return None, UNPROVEN, f"no frames of condition '{row.condition}' in the prove groups"
    whole = figures if beyond is None else {**figures, "beyond": beyond}
    value, groups = value_of(row, whole, place), _groups(row, whole, place)
    if value is None:
        return None, UNPROVEN, "no prove frame gave a value"
    bound = bound_of(row, figures)
    if value > bound:
        return value, NOT_MET, _above(value, row, bound, f"on {groups} {_plural(groups)}")
    verdict, reason = (
        (MET, f"{value:.4g} is within {_bound(row, bound)} on {groups} {_plural(groups)}")
        if row.confidence is None
        else _confident(row, whole, place, value, groups)
    )
    if verdict is not NOT_MET and groups < row.min_groups:
        return value, UNPROVEN, f"{groups} prove {_plural(groups)}, the limit asks for {row.min_groups}"
    return value, verdict, reason


def _groups(row: Limit, figures: Figures, place: Figures) -> int:
    beyond = figures.get("beyond")
    return (
        int(beyond.get("groups", 0))
        if row.metric == "beyond_accepted_share" and beyond
        else int(place.get("groups", 0))
    )


def bound_of(row: Limit, figures: Figures) -> float:
    """The bound in the metric's unit; of a percentage with millimetres beside it the larger of both."""
    span = figures.get("span_mm")
    return row.bound if row.or_mm is None or not span else max(row.bound, 100 * row.or_mm / float(span))


def _bound(row: Limit, bound: float) -> str:
    return f"{bound:.4g}" if row.or_mm is None else f"{bound:.4g} ({bound_text(row.bound, row.or_mm)})"


def _above(value: float, row: Limit, bound: float, where: str) -> str:
    if value == NEVER:
        return "more than one start in twenty had no reading"
    return f"{value:.4g} is above {_bound(row, bound)} {where}"


def _confident(
    row: Limit, figures: Figures, place: Figures, value: float, groups: int
) -> tuple[LimitAnswer, str]:
    """The answer at a confidence, where the value itself is within the bound."""
    assert row.confidence is not None
    bound = bound_of(row, figures)
    if row.metric in EPISODE_RATES:
        trials = figures[row.metric.removesuffix("_share")]
        most = upper_bound(trials["wrong"], trials["episodes"], row.confidence)
        shown = f"{trials['wrong']} wrong of {trials['episodes']} episodes shows a rate below {most:.3g}"
        return (
            (MET, f"{shown}, within {bound:g}")
            if most is not None and most <= bound
            else (UNPROVEN, f"{shown} only")
        )
    if figures.get("ordered"):
        return (
            UNPROVEN,
            (
                f"{value:.4g} is within {_bound(row, bound)}, but temperature bands are chosen, not "
                f"drawn: {groups} bound no further one"
            ),
        )
    worst = worst_of(row, figures, place)
    if worst is None:
        hint = "; false_wet_share has one" if row.metric == "false_wet_episodes" else ""
        return (
            UNPROVEN,
            f"{value:.4g} is within {_bound(row, bound)}, but this metric has no bound at a confidence{hint}",
        )
    if worst > bound:
        return NOT_MET, _above(worst, row, bound, f"in the worst of {groups} groups")
    least = fewest_groups(row.confidence)
    if groups < least:
        return UNPROVEN, f"{groups} prove groups, a confidence of {row.confidence:g} needs {least}"
    return MET, f"{worst:.4g}, the worst of {groups} groups, is within {_bound(row, bound)}"


def worst_of(row: Limit, figures: Figures, place: Figures) -> float | None:
    """The worst group's figure; None for what is not known by group."""
    if row.metric == "worst_group_rmse_mm":
        return value_of(row, figures, place)
    if row.metric == "dry_missed_share":
        least = figures.get("dry_recognised_least")
        return _rest(least)
    if row.metric == "band_missed_share":
        return _rest(figures["band"]["worst_group_share"])
    worst = place.get("worst") or {}
    if row.metric == "p95_pct_span":
        p95, span = worst.get("p95_mm"), figures.get("span_mm")
        return None if p95 is None or not span else 100 * float(p95) / float(span)
    value = worst.get("withheld_share" if row.metric == "withheld_share" else _FIGURE.get(row.metric, ""))
    return None if value is None else float(value)


def _place(row: Limit, figures: Figures) -> Figures | None:
    """Figures of a class, or of a liquid, unit, coupling or other place of that name."""
    own = _OWN.get(row.metric, row.condition)
    if row.metric in _WHOLE and row.condition != "all":
        return None
    places: list[Figures] = [figures["classes"], *figures["by"].values()]
    return next((rows[own] for rows in places if own in rows), None)


def value_of(row: Limit, figures: Figures, place: Figures) -> float | None:  # noqa: PLR0911 - a metric each
    """The figure that a limit bounds."""
    if row.metric == "false_wet_episodes":
        return float(figures["false_wet"]["wrong"])
    if row.metric in EPISODE_RATES:
        trials = figures[row.metric.removesuffix("_share")]
        return float(trials["wrong"] / trials["episodes"]) if trials["episodes"] else None
    if row.metric == "dry_missed_share":
        return _rest(figures["dry_recognised_share"])
    if row.metric == "band_missed_share":
        return _rest((figures["band"] or {}).get("covered_share"))
    if row.metric == "withheld_share":
        return _rest(place["accepted_share"])
    if row.metric == "first_reading_s":
        return _first_reading(figures.get("power_on"))
    if row.metric == "beyond_accepted_share":
        return _number((figures.get("beyond") or {}).get("accepted_share"))
    if row.metric in _WHOLE:
        return _number(figures.get(row.metric))
    return _number(place.get(_FIGURE.get(row.metric, "")))


def _first_reading(cold: Figures | None) -> float | None:
    """The P95 of the wait where a chip never switched off gives a reading; NEVER where the start that it asks
    for had none.
    """
    if not cold or cold["starts"] == cold["withheld_anyway"]:
        return None
    return NEVER if cold["wait_p95_s"] is None else float(cold["wait_p95_s"])


def _rest(share: float | None) -> float | None:
    return None if share is None else tidy(1 - share)


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)


def meets_classes(limits: Limits | None, figures: Figures) -> bool | None:
    """Whether choose figures lie within every limit that they can speak of; None without limits. Numbers of
    groups and confidences are left to 'prove'.
    """
    if limits is None:
        return None
    for row in limits.rows:
        place = _place(row, figures)
        value = None if place is None else value_of(row, figures, place)
        if value is not None and value > bound_of(row, figures):
            return False
    return True
