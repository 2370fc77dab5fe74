"""What is shown of a tank change: its tables and its sentences."""

from __future__ import annotations

from typing import Any

from innage.terminal.output import say, table
from innage.terminal.views.limits import show_model_limits
from training.judging.stored_answers import stored_answers

Facts = dict[str, Any]
Row = tuple[object, ...]


def show_retraining(facts: Facts) -> None:
    """The limits of what is kept, the ways, the kept one's lead, the learning curve, and what it comes to."""
    origin = facts["tank"]["origin"]
    if origin != "measured":
        say(f"All figures are of {origin} readings: they say nothing yet of a tank of plastic and water.\n")
    show_model_limits(stored_answers({"limits": facts["answers"]}))
    columns = (
        "way",
        "choose\nmm",
        "prove\nmm",
        "clean",
        "foam",
        "film",
        "given\n%",
        "false\nwets",
        "not\nmet",
    )
    table(f"ways to serve {facts['tank']['frozen']}: P95 of the error in mm", columns, way_rows(facts))
    table(
        f"less {facts['kept']}, by class, on the prove groups: mean absolute error in mm",
        ("way", "class", "mm", "from", "to", "groups"),
        ahead_rows(facts),
    )
    table(
        "learning curve, on the prove groups",
        ("way", "units", "sessions", "P95 mm", "accepted %", "false wets", "within limits"),
        curve_rows(facts),
    )
    for sentence in sentences(facts):
        say(sentence)


def way_rows(facts: Facts) -> list[Row]:
    """One row a way, favoured first: mean over classes, then each class, in mm."""
    rows: list[Row] = []
    for way in facts["ways"]:
        classes = way["classes"]
        each = [classes.get(name, {}).get("p95_mm") for name in ("clean", "foam", "film")]
        not_met = sum(row["answer"] == "not met" for row in way["limits"]) if way["limits"] else None
        rows.append(
            (
                way["way"],
                way["choose_mm"],
                way["prove_mm"],
                *each,
                _percent(classes["all"]["accepted_share"]),
                way["false_wet"]["wrong"],
                not_met,
            )
        )
    return rows


def ahead_rows(facts: Facts) -> list[Row]:
    """By how much every other way errs more than the kept one, with the interval."""
    return [
        (
            way,
            name,
            *(of_class["error_mm"][end] for end in ("value", "low", "high")),
            of_class["groups"],
        )
        for way, ahead in facts["ahead"].items()
        for name, of_class in ahead["classes"].items()
    ]


def curve_rows(facts: Facts) -> list[Row]:
    """One row a fit of the curve."""
    return [
        (
            r["way"],
            r["units"],
            r["sessions"],
            r["error_mm"],
            _percent(r["accepted_share"]),
            r.get("false_wet"),
            _yes(r["reaches"]),
        )
        for r in facts["curve"]["rows"]
    ]


def _percent(share: float | None) -> float | None:
    return None if share is None else 100 * share


def _yes(reaches: bool | None) -> str | None:
    return None if reaches is None else "yes" if reaches else "no"


def sentences(facts: Facts) -> list[str]:
    """What it comes to, in the order in which it is asked."""
    lines = [f"{way} was not possible: {why}." for way, why in facts["refused"].items()]
    lines.append(_favoured(facts))
    lines.append(f"Opening {facts['openings']} of the prove groups of {facts['tank']['frozen']}.")
    lines += _moved(facts)
    lines += _needed(facts)
    return lines


def _favoured(facts: Facts) -> str:
    kept, favoured = facts["kept"], facts["favoured"]
    text = f"The choose groups favour '{favoured}'"
    if favoured != kept:
        text += (
            f": {facts['parent']} can stay in use with new trims; {facts['name']} is the best refit, '{kept}'"
        )
    else:
        text += f", kept as {facts['name']}"
    best = min(
        (w for w in facts["ways"] if w["prove_mm"] is not None),
        key=lambda w: float(w["prove_mm"]),
        default=None,
    )
    if best is not None and best["way"] != favoured:
        text += f"; on the prove groups '{best['way']}' has the smaller error, which must not pick it"
    return text + "."


def _moved(facts: Facts) -> list[str]:
    lines = []
    if facts["moved_mm"]:
        lines.append(
            f"The pads sit at other heights than before, by up to {facts['moved_mm']:.3g} mm: levels of the "
            f"old tank, by its labels and by {facts['parent']}, were moved with them, which the firmware "
            "would have to do too."
        )
    spans = {way["way"]: way["span_mm"] for way in facts["ways"]}
    old_span, new_span = (
        spans.get("old model, new trims"),
        max(span for way, span in spans.items() if way != "old model, new trims"),
    )
    if old_span not in (None, new_span):
        lines.append(
            f"The old model's levels end at {old_span:g} mm of its own tank, the new tank's at "
            f"{new_span:g} mm."
        )
    left = facts["left_out"]
    if left is not None and (left["same_sessions"] or left["held_out_units"] or left["rows_above"]):
        lines.append(
            f"Left out of the earlier set: {left['same_sessions']} sessions that the new set has, "
            f"{left['held_out_units']} of units that it holds out, {left['rows_above']} frames outside the "
            "new span."
        )
    if facts["recipe"]["trim"] != facts["trim_of_parent"]:
        lines.append(
            f"The refits take the trim '{facts['recipe']['trim']}': not all units have "
            f"'{facts['trim_of_parent']}'."
        )
    return lines


def _needed(facts: Facts) -> list[str]:
    """How many sessions each way needs, and the ratio."""
    curve, lines = facts["curve"], []
    if facts["limits_of"] is not None:
        for way, least in curve["needed"].items():
            what = (
                "none of the numbers tried"
                if least is None
                else f"{least['sessions']} sessions of {least['units']} units"
            )
            lines.append(f"Within limits {facts['limits_of']}, {way}: {what}.")
        if curve["ratio"] is not None:
            lines.append(
                f"With the earlier sessions the limits take {curve['ratio']:.3g} of the new "
                "sessions that starting anew takes."
            )
    good = curve["as_good"]
    if good is not None:
        all_new, first = good["all_new"], good["together"]
        what = (
            f"as small as that of all {all_new['sessions']} new sessions alone ({all_new['error_mm']:.3g} mm)"
        )
        if first is None:
            lines.append(f"With the earlier sessions the error was at none of the numbers tried {what}.")
        else:
            lines.append(
                f"With the earlier sessions the error is {what} from {first['sessions']} new "
                f"sessions on: {good['ratio']:.3g} of them."
            )
    lines.append(
        f"Each point has {curve['choose_sessions']} further sessions to set thresholds on, and is judged on "
        f"{curve['prove_groups']} prove groups; fits of at most {curve['steps']} steps; {curve['order']}."
    )
    return lines
