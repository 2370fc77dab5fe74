"""What is shown of questions about models: a comparison, a sweep of drift, a study."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from innage.terminal.output import say, table
from innage.terminal.views.limits import show_limits
from innage.terminal.views.models.training import show_variants, status_sentence

if TYPE_CHECKING:
    from innage.jobs.models.judging import Comparison, Sweep, Worth
    from training.judging.figures import DriftFigures, Interval

_CELLS_SHOWN = 8


def show_comparison(compared: Comparison) -> None:
    """By class and by cell, limits and sizes of both, and the regressions that matter."""
    first, second, figures = compared.first, compared.second, compared.figures
    for name, status in zip((first, second), compared.statuses, strict=True):
        if status is not None:
            say(status_sentence(name, status))
    for remark in compared.remarks:
        say(f"Out of use by now: {remark}")
    rows = [
        (
            name,
            of_class.frames,
            of_class.groups,
            *_spread(of_class.error_mm, 1),
            *_spread(of_class.accepted_share, 100),
        )
        for name, of_class in figures.classes.items()
    ]
    columns = ("class", "frames", "groups", "error mm", "from", "to", "accepted points", "from", "to")
    table(
        f"{second} minus {first} on the {compared.role} groups of {compared.frozen.name} "
        f"({compared.frozen.origin})",
        columns,
        rows,
    )
    say(
        f"Mean absolute error on frames that both accept; above 0 {second} is worse. Accepted: percentage "
        f"points of all frames. Interval: {figures.method}."
    )
    if compared.role == "prove":
        say(f"Opening {compared.openings} of the prove groups.")
    if compared.caveat:
        say(compared.caveat)
    _show_limits(compared)
    _show_cells(compared)
    _show_sizes(compared)
    _show_verdict(compared)


def _show_sizes(compared: Comparison) -> None:
    first, second = compared.first, compared.second
    sizes = [
        (model, *((None,) * 4 if cost is None else (cost.flash, cost.ram, cost.stack, cost.cycles)))
        for model, cost in zip((first, second), compared.costs, strict=True)
    ]
    table("size", ("model", "flash", "ram", "stack", "cycles"), sizes)
    if None in compared.costs:
        say("A model that was trained without a budget has no size here; --budget NAME measures both.")


def _show_verdict(compared: Comparison) -> None:
    """What speaks for either, and whether that is all that can be said."""
    first, second, figures = compared.first, compared.second, compared.figures
    for sentence in figures.gains:
        say(f"{first} is worse: {sentence}.")
    for sentence in figures.losses:
        say(f"Regression of {second}: {sentence}.")
    for sentence in figures.undecided:
        say(f"Not enough evidence: {sentence}.")
    if not figures.losses:
        so_far = ", as far as these groups can tell" if figures.undecided else ""
        say(f"{second} has no regression that matters against {first}{so_far}.")


def _spread(interval: Interval, factor: float) -> tuple[float | None, ...]:
    ends = (interval.value, interval.low, interval.high)
    return tuple(None if end is None else factor * end for end in ends)


def _show_limits(compared: Comparison) -> None:
    if compared.limits is None:
        say("No limits: what matters is the error over all frames.")
        return
    from dataset.text.limits_text import bound_text, condition_text

    rows = [
        (
            pair.first.metric,
            condition_text(pair.first.condition),
            bound_text(pair.first.bound, pair.first.or_mm),
            pair.first.value,
            pair.second.value,
            pair.first.answer,
            pair.second.answer,
        )
        for pair in compared.figures.limits
    ]
    models = (compared.first, compared.second, f"{compared.first} ", f"{compared.second} ")
    table(f"limits {compared.limits.ref}", ("metric", "condition", "bound", *models), rows)


def _show_cells(compared: Comparison) -> None:
    """The cells that differ most, either way."""
    known = [(cell, cell.difference_mm) for cell in compared.figures.cells if cell.difference_mm is not None]
    known.sort(key=lambda pair: -abs(pair[1]))
    rows = [
        (c.name, c.liquid, c.level_band, c.frames, c.groups, c.first_mm, c.second_mm, difference)
        for c, difference in known[:_CELLS_SHOWN]
    ]
    title = f"where they differ most ({len(rows)} of {len(known)} cells), mean absolute error in mm"
    table(
        title,
        ("class", "liquid", "level", "frames", "groups", compared.first, compared.second, "difference"),
        rows,
    )


def _amount(row: DriftFigures, pads: Sequence[str]) -> str:
    """The size of a drift in words."""
    if row.kind == "none":
        return ""
    if row.kind == "dead pad":
        return pads[int(row.amount)]
    return f"{row.amount:+g} %" + (" of swing" if row.kind in ("baseline", "film") else "")


def show_sweep(swept: Sweep) -> None:
    """A row for each drift, and how much of each the model stands."""
    figures = swept.figures
    rows = [
        (
            row.kind,
            _amount(row, swept.pads),
            row.p95_mm,
            None if row.accepted_share is None else f"{100 * row.accepted_share:.1f}",
            row.false_wet_episodes,
            _by_metric(row.fails) or None,
        )
        for row in figures.rows
    ]
    title = (
        f"drift of {swept.model} on the {swept.role} groups of {swept.frozen.name} ({swept.frozen.origin})"
    )
    table(title, ("drift", "by", "p95 mm", "accepted %", "false wet", "limits that fail"), rows)
    if swept.limits is not None:
        say("\nWithout drift:")
        show_limits(figures.answers)
    stands = figures.stands
    if stands is None:
        say(_nothing_to_stand(swept))
        return
    for kind, up_pct, down_pct, what in (
        ("baseline", stands.baseline_up_pct, stands.baseline_down_pct, "of the swing"),
        ("gain", stands.gain_up_pct, stands.gain_down_pct, "of the counts"),
    ):
        say(f"{kind}: no limit fails from -{down_pct:g} % to +{up_pct:g} % {what}, in the steps above.")
    say(f"film above the liquid: no limit fails up to {stands.film_pct:g} % of the swing on every pad.")
    without = ", ".join(swept.pads[k] for k in stands.dead_pads)
    said = f"no limit fails without {without}" if without else "a limit fails whichever it is"
    say(f"one dead pad: {said}.")


def _nothing_to_stand(swept: Sweep) -> str:
    """Why no step of drift could be named, and what to do about it."""
    if swept.limits is None:
        return "No limits were named, so no drift can fail one: name some with --limits."
    return (
        f"None of {swept.limits.ref} is met without drift on the {swept.role} groups, so nothing can "
        "fail: a limit that asks for more groups than there are is not met. Name others with --limits, or "
        "other groups with --role."
    )


def _by_metric(fails: Sequence[str]) -> str:
    """Limits that fail, each metric once with its conditions."""
    by_metric: dict[str, list[str]] = {}
    for metric, condition in (name.split(" ", 1) for name in fails):
        by_metric.setdefault(metric, []).append(condition)
    return "; ".join(f"{metric} {', '.join(conditions)}" for metric, conditions in by_metric.items())


def show_study(worth: Worth) -> None:
    """A table each of trims and of features, and which trim the limits need."""
    if worth.origin != "measured":
        say(
            f"All figures are of {worth.origin} readings: they say nothing yet of a tank of "
            "plastic and water.\n"
        )
    for what, studied in (("trims", worth.trims), ("features", worth.features)):
        if studied is not None:
            show_variants(f"{what} of {worth.model}: P95 on the {worth.role} groups", what, studied.rows)
    if worth.trims is not None and worth.limits is not None:
        needed = worth.trims.needed
        least = (
            f"the least trim that meets them is '{needed}'"
            if needed is not None
            else "no trim that all units have meets them"
        )
        say(f"Limits {worth.limits.ref}: {least}.")
    if worth.role == "prove":
        say(f"Opening {worth.openings} of the prove groups.")
    else:
        say("The choose groups also set the thresholds, so the rows only compare; don't quote them.")
