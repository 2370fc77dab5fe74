"""What is shown of a tank change: its tables and its sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dataset.words import LimitAnswer, counted
from innage.terminal.output import say, table
from innage.terminal.views.limits import show_model_limits

if TYPE_CHECKING:
    from innage.jobs.models.training import Retrained
    from training.search.study_figures import Picking, Retraining

OLD = "old model, new trims"
Row = tuple[object, ...]


def show_retraining(retrained: Retrained) -> None:
    """The limits of what is kept, the ways, the kept one's lead, the learning curve, and what it comes to."""
    figures = retrained.figures
    origin = figures.tank.origin
    if origin != "measured":
        say(f"All figures are of {origin} readings: they say nothing yet of a tank of plastic and water.\n")
    show_model_limits(retrained.answers)
    columns = (
        "option",
        "choose\nmm",
        "prove\nmm",
        "clean",
        "foam",
        "film",
        "accepted\n%",
        "false\nwet",
        "not\nmet",
    )
    table(f"options for '{figures.tank.frozen}': P95 of the error in mm", columns, way_rows(figures))
    if figures.picking is not None:
        table(
            f"picked on {figures.picking.units} fit and choose units, each left out of its fits",
            (
                "option",
                "P95\nmm",
                "worst unit\nmm",
                "accepted\n%",
                "false\nwet",
                "behind\nmm",
                "confidence\n%",
            ),
            picking_rows(figures.picking),
        )
    table(
        f"each option minus '{figures.kept}', by class, on the prove groups: mean absolute error in mm",
        ("option", "class", "mm", "from", "to", "groups"),
        ahead_rows(figures),
    )
    table(
        "learning curve, on the prove groups",
        ("option", "units", "sessions", "P95 mm", "accepted %", "false wet", "within limits"),
        curve_rows(figures),
    )
    for sentence in sentences(retrained):
        say(sentence)


def way_rows(figures: Retraining) -> list[Row]:
    """One row a way, favoured first: mean over classes, then each class, in mm."""
    rows: list[Row] = []
    for way in figures.ways:
        each = [
            None if (errors := way.classes.get(name)) is None else errors.p95_mm
            for name in ("clean", "foam", "film")
        ]
        not_met = sum(answer.answer == LimitAnswer.NOT_MET for answer in way.limits) if way.limits else None
        rows.append(
            (
                way.way,
                way.choose_mm,
                way.prove_mm,
                *each,
                _percent(way.classes["all"].accepted_share),
                way.false_wet.wrong,
                not_met,
            )
        )
    return rows


def picking_rows(picking: Picking) -> list[Row]:
    """One row a way, best first: errors on units left out, and how far and how surely it is behind."""
    return [
        (
            row.way,
            row.error_mm,
            row.worst_unit_mm,
            _percent(row.accepted_share),
            row.false_wet,
            row.behind_mm,
            _percent(row.sure),
        )
        for row in picking.ways
    ]


def ahead_rows(figures: Retraining) -> list[Row]:
    """By how much every other way errs more than the kept one, with the interval."""
    return [
        (way, name, error.value, error.low, error.high, of_class.groups)
        for way, ahead in figures.ahead.items()
        for name, of_class in ahead.classes.items()
        for error in (of_class.error_mm,)
    ]


def curve_rows(figures: Retraining) -> list[Row]:
    """One row a fit of the curve."""
    return [
        (
            row.way,
            row.units,
            row.sessions,
            row.error_mm,
            _percent(row.accepted_share),
            row.false_wet,
            _yes(row.reaches),
        )
        for row in figures.curve.rows
    ]


def _percent(share: float | None) -> str | None:
    return None if share is None else f"{100 * share:.1f}"


def _yes(reaches: bool | None) -> str | None:
    return None if reaches is None else "yes" if reaches else "no"


def sentences(retrained: Retrained) -> list[str]:
    """What it comes to, in the order in which it is asked."""
    figures = retrained.figures
    lines = [f"{way} was not possible: {why}." for way, why in figures.refused.items()]
    lines.append(_favoured(figures, retrained.model.name))
    lines.append(f"Opening {retrained.openings} of the prove groups of {figures.tank.frozen}.")
    lines += _moved(figures)
    lines += _needed(figures, None if retrained.model.limits is None else retrained.model.limits.ref)
    return lines


def _favoured(figures: Retraining, name: str) -> str:
    kept, favoured = figures.kept, figures.favoured
    text = f"{_by(figures)} '{favoured}'"
    if favoured != kept:
        text += f": {figures.parent} can stay in use with new trims; {name} is the best refit, '{kept}'"
    else:
        text += f", kept as {name}"
    proved = [(way.prove_mm, way.way) for way in figures.ways if way.prove_mm is not None]
    _, best = min(proved, key=lambda pair: pair[0], default=(None, favoured))
    if best != favoured:
        text += f"; on the prove groups '{best}' has the smaller error, which must not pick it"
    return text + "."


def _by(figures: Retraining) -> str:
    """By what the favoured way was picked, up to its name."""
    picking = figures.picking
    if picking is None:
        return "The choose groups favour"
    best = picking.ways[0].way
    others = [way for way in picking.as_good if way != best]
    text = f"{counted(picking.units, 'unit')}, each left out of the fits that judge it, put '{best}' first"
    if not others:
        return f"{text}, and no other option may be as good, so the favoured one is"
    named = " and ".join(f"'{way}'" for way in others)
    return f"{text}, but {named} may be as good; of these the safest, by false wets and the worst unit, is"


def _moved(figures: Retraining) -> list[str]:
    lines = []
    if figures.moved_mm:
        lines.append(
            f"The pads sit at other heights than before, by up to {figures.moved_mm:.3g} mm: levels of the "
            f"old tank, its labels and the readings of {figures.parent}, were moved with them. Firmware that "
            "keeps the old model has to do the same."
        )
    old_span = next((way.span_mm for way in figures.ways if way.way == OLD), None)
    new_span = max(way.span_mm for way in figures.ways if way.way != OLD)
    if old_span not in (None, new_span):
        lines.append(
            f"The old model's levels end at {old_span:g} mm of its own tank, the new tank's at "
            f"{new_span:g} mm."
        )
    left = figures.left_out
    if left is not None and (left.same_sessions or left.held_out_units or left.rows_above):
        lines.append(
            f"Left out of the earlier set: {counted(left.same_sessions, 'session')} that the new set has, "
            f"{left.held_out_units} of units that it holds out, "
            f"{counted(left.rows_above, 'frame')} outside the "
            "new span."
        )
    if figures.recipe.trim != figures.trim_of_parent:
        lines.append(
            f"The refits take the trim '{figures.recipe.trim}': not all units have "
            f"'{figures.trim_of_parent}'."
        )
    return lines


def _needed(figures: Retraining, limits: str | None) -> list[str]:
    """How many sessions each way needs for the ``limits`` of that name, and the ratio."""
    curve, lines = figures.curve, []
    more = curve.more
    if more is not None:
        lines.append(
            f"'{more.way}' comes to {more.error_mm:.3g} mm with "
            f"{counted(more.units, 'unit')}; by the curve of its "
            f"errors it ends at {more.end_mm:.3g} mm with ever more of them, and "
            + (f"{more.further} more units bring" if more.further else "no more units are needed to bring")
            + f" it within {100 * more.near:g} % of that."
        )
    if limits is not None:
        for way, least in curve.needed.items():
            what = (
                "not met with any number that was tried"
                if least is None
                else f"{counted(least.sessions, 'session')} of {least.units} units"
            )
            lines.append(f"To meet limits {limits}, {way}: {what}.")
        if curve.ratio is not None:
            lines.append(
                f"With old sessions added, meeting the limits takes {curve.ratio:.3g} of the new sessions "
                "that new ones alone take."
            )
    good = curve.as_good
    if good is not None:
        alone = f"the {good.all_new.sessions} new ones alone ({good.all_new.error_mm:.3g} mm)"
        if good.together is None:
            lines.append(f"Adding old sessions never beat {alone}.")
        else:
            lines.append(
                f"With old sessions added, {counted(good.together.sessions, 'new session')} did as well as "
                f"{alone}: {good.ratio:.3g} of them."
            )
    fits = "" if curve.steps is None else f"fits of at most {curve.steps} steps; "
    lines.append(
        f"Each point has {curve.choose_sessions} further sessions to set thresholds on, and is judged on "
        f"{curve.prove_groups} prove groups; {fits}{curve.order}."
    )
    return lines
