"""Limits answered from figures: met, not met, or not enough evidence, with the reason. A value beyond its
bound is not met, on however few groups; one within it that was found on too few is not enough evidence.

With a confidence, a figure by class that every group has is answered by the worst group: the largest of n
groups' figures bounds a further group's with confidence n / (n + 1) (split conformal; Lei et al., JASA 113
(2018) 1094). A rate of episodes is answered by its Clopper-Pearson bound. Groups that are bands of a scale
('ordered') are not exchangeable: no such bound follows from them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from dataset.records import Limit, Limits
from dataset.text.limits_text import bound_text
from dataset.words import EPISODE_RATES, LimitAnswer, counted
from training.judging.class_figures import upper_bound
from training.judging.figures import (
    AnsweredLimit,
    Beyond,
    ClassFigures,
    Episodes,
    Figures,
    PowerOn,
    WorstGroup,
)
from training.judging.scoring import fewest_groups, tidy

MET, NOT_MET, UNPROVEN = LimitAnswer.MET, LimitAnswer.NOT_MET, LimitAnswer.UNPROVEN
_ERRORS: Mapping[str, Callable[[ClassFigures | WorstGroup], float | None]] = {
    "rmse_mm": lambda errors: errors.rmse_mm,
    "p50_abs_mm": lambda errors: errors.p50_mm,
    "p95_abs_mm": lambda errors: errors.p95_mm,
    "max_abs_mm": lambda errors: errors.max_mm,
}
_RUNS: Mapping[str, Callable[[Figures], float | None]] = {
    "longest_wrong_s": lambda figures: figures.longest_wrong_s,
    "longest_withheld_s": lambda figures: figures.longest_withheld_s,
    "worst_group_rmse_mm": lambda figures: figures.worst_group_rmse_mm,
}
_OF_READINGS = (*_ERRORS, "p95_pct_span", "worst_group_rmse_mm")  # what only an accepted reading has
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
# zones of the tank as limits spell them, where names have no spaces
_ZONES = {"lowest-pad": "lowest pad", "above-the-lowest-pad": "above the lowest pad"}
NEVER = float("inf")  # seconds to a first reading that did not come


def _answer(row: Limit, value: float | None, verdict: LimitAnswer, reason: str) -> AnsweredLimit:
    return AnsweredLimit(
        row.metric, row.condition, row.bound, row.confidence, row.min_groups, value, str(verdict), reason
    )


def answer_limits(
    limits: Limits | None, figures: Figures | None, beyond: Beyond | None = None
) -> list[AnsweredLimit]:
    """One answer a limit, from the figures of the prove groups (None when nothing was proved); ``beyond``
    takes the place of theirs.
    """
    if limits is None:
        return []
    whole = figures if figures is None or beyond is None else replace(figures, beyond=beyond)
    return [_class_answer(row, whole) for row in limits.rows]


def _class_answer(row: Limit, figures: Figures | None) -> AnsweredLimit:
    value, verdict, reason = (
        (None, UNPROVEN, "the frozen set has no 'prove' groups")
        if figures is None
        else _class_verdict(row, figures)
    )
    answer = _answer(row, None if value == NEVER else value, verdict, reason)
    return replace(answer, or_mm=row.or_mm)


def _class_verdict(row: Limit, figures: Figures) -> tuple[float | None, LimitAnswer, str]:
    place = _place(row, figures)
    if place is None:
        return None, UNPROVEN, f"no frames of condition '{row.condition}' in the prove groups"
    value, groups = value_of(row, figures, place), _groups(row, figures, place)
    if value is None:
        return None, UNPROVEN, _why_none(row)
    bound = bound_of(row, figures.span_mm)
    if value > bound:
        return (
            value,
            NOT_MET,
            _above(value, row, bound, f"on {groups} {'group' if groups == 1 else 'groups'}"),
        )
    verdict, reason = (
        (
            MET,
            f"{value:.4g} is within {_bound(row, bound)} on {groups} {'group' if groups == 1 else 'groups'}",
        )
        if row.confidence is None
        else _confident(row, figures, place, value, groups)
    )
    if verdict is not NOT_MET and groups < row.min_groups:
        return value, UNPROVEN, f"{counted(groups, 'prove group')}, the limit asks for {row.min_groups}"
    return value, verdict, reason


def _why_none(row: Limit) -> str:
    if row.metric == "dry_missed_share":
        return "this model never calls a tank empty: there is nothing to measure"
    if row.metric == "beyond_accepted_share":
        return "no test frame lies outside the trained range, so this can't be checked"
    return "no test frame gave a value"


def _groups(row: Limit, figures: Figures, place: ClassFigures) -> int:
    beyond = figures.beyond
    return beyond.groups if row.metric == "beyond_accepted_share" and beyond is not None else place.groups


def bound_of(row: Limit, span_mm: float | None) -> float:
    """The bound in the metric's unit; of a percentage with millimetres beside it the larger of both."""
    return row.bound if row.or_mm is None or not span_mm else max(row.bound, 100 * row.or_mm / span_mm)


def _bound(row: Limit, bound: float) -> str:
    return f"{bound:.4g}" if row.or_mm is None else f"{bound:.4g} ({bound_text(row.bound, row.or_mm)})"


def _above(value: float, row: Limit, bound: float, where: str) -> str:
    if value == NEVER:
        return "more than one start in twenty had no reading"
    return f"{value:.4g} is above {_bound(row, bound)} {where}"


def _confident(
    row: Limit, figures: Figures, place: ClassFigures, value: float, groups: int
) -> tuple[LimitAnswer, str]:
    """The answer at a confidence, where the value itself is within the bound."""
    assert row.confidence is not None
    bound = bound_of(row, figures.span_mm)
    if row.metric in EPISODE_RATES:
        trials = _trials(row, figures)
        most = upper_bound(trials.wrong, trials.episodes, row.confidence)
        episodes = counted(trials.episodes, "episode")
        shown = f"{trials.wrong} of {episodes} wrong only proves a rate under {most:.3g}"
        return (
            (MET, f"{shown.replace('only proves', 'proves')}, within {bound:g}")
            if most is not None and most <= bound
            else (UNPROVEN, shown)
        )
    if figures.ordered:
        return (
            UNPROVEN,
            (
                f"{value:.4g} is within {_bound(row, bound)}, but temperature bands are chosen, not "
                f"drawn: {groups} of them bound no other"
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
        return NOT_MET, _above(worst, row, bound, f"in the worst of {counted(groups, 'group')}")
    least = fewest_groups(row.confidence)
    if groups < least:
        return UNPROVEN, f"{counted(groups, 'prove group')}, a confidence of {row.confidence:g} needs {least}"
    return MET, f"{worst:.4g}, the worst of {counted(groups, 'group')}, is within {_bound(row, bound)}"


def worst_of(row: Limit, figures: Figures, place: ClassFigures) -> float | None:
    """The worst group's figure; None for what is not known by group."""
    if row.metric == "worst_group_rmse_mm":
        return value_of(row, figures, place)
    if row.metric == "dry_missed_share":
        return _rest(figures.dry_recognised_least)
    if row.metric == "band_missed_share":
        return None if figures.band is None else _rest(figures.band.worst_group_share)
    return None if place.worst is None else _worst_error(row.metric, place.worst, figures.span_mm)


def _worst_error(metric: str, worst: WorstGroup, span_mm: float | None) -> float | None:
    if metric == "p95_pct_span":
        return None if worst.p95_mm is None or not span_mm else 100 * worst.p95_mm / span_mm
    if metric == "withheld_share":
        return _number(worst.withheld_share)
    return _number(_ERRORS[metric](worst)) if metric in _ERRORS else None


def _trials(row: Limit, figures: Figures) -> Episodes:
    """The episodes that a rate of EPISODE_RATES is of."""
    return figures.false_wet if row.metric == "false_wet_share" else figures.false_dry


def _place(row: Limit, figures: Figures) -> ClassFigures | None:
    """Figures of a class, or of a zone, liquid, unit, coupling or other place of that name."""
    own = place_of(_OWN.get(row.metric, row.condition))
    if row.metric in _WHOLE and row.condition != "all":
        return None
    places = [figures.classes, *figures.by.values()]
    return next((rows[own] for rows in places if own in rows), None)


def place_of(condition: str) -> str:
    """The class or place that a condition of limits names, as figures call it."""
    return _ZONES.get(condition, condition)


def value_of(row: Limit, figures: Figures, place: ClassFigures) -> float | None:  # noqa: PLR0911 - a metric each
    """The figure that a limit bounds."""
    if row.metric == "false_wet_episodes":
        return float(figures.false_wet.wrong)
    if row.metric in EPISODE_RATES:
        trials = _trials(row, figures)
        return trials.wrong / trials.episodes if trials.episodes else None
    if row.metric == "dry_missed_share":
        return _rest(figures.dry_recognised_share)
    if row.metric == "band_missed_share":
        return None if figures.band is None else _rest(figures.band.covered_share)
    if row.metric == "withheld_share":
        return _rest(place.accepted_share)
    if row.metric == "first_reading_s":
        return _first_reading(figures.power_on)
    if row.metric == "beyond_accepted_share":
        return None if figures.beyond is None else _number(figures.beyond.accepted_share)
    if row.metric == "p95_pct_span":
        return _number(place.p95_pct)
    if row.metric in _RUNS:
        return _number(_RUNS[row.metric](figures))
    return _number(_ERRORS[row.metric](place)) if row.metric in _ERRORS else None


def _first_reading(cold: PowerOn | None) -> float | None:
    """The P95 of the wait where a chip never switched off gives a reading; NEVER where the start that it asks
    for had none.
    """
    if cold is None or cold.starts == cold.withheld_anyway:
        return None
    return NEVER if cold.wait_p95_s is None else float(cold.wait_p95_s)


def _rest(share: float | None) -> float | None:
    return None if share is None else tidy(1 - share)


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)


def meets_limits(limits: Limits | None, figures: Figures) -> bool | None:
    """Whether choose figures lie within every limit that they can speak of; None without limits. Numbers of
    groups and confidences are left to 'prove'.

    A model that withholds everything has no error to boast of, and meets no limit on it.
    """
    return None if limits is None else all(_meets(row, figures) for row in limits.rows)


def _meets(row: Limit, figures: Figures) -> bool:
    place = _place(row, figures)
    if place is None:
        return True
    value = value_of(row, figures, place)
    if value is None:
        return row.metric not in _OF_READINGS or place.frames == 0 or place.accepted_share != 0
    return value <= bound_of(row, figures.span_mm)
