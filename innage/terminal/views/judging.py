"""What is shown of questions about models: a comparison, a sweep of drift, a study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from innage.terminal.output import say, table
from innage.terminal.views.limits import show_limits

Facts = Mapping[str, Any]
_CELLS_SHOWN = 8


def show_comparison(facts: Facts) -> None:
    first, second = facts["first"], facts["second"]
    rows = [
        (
            name,
            of_class["frames"],
            of_class["groups"],
            *_spread(of_class["error_mm"], 1),
            *_spread(of_class["accepted_share"], 100),
        )
        for name, of_class in facts["classes"].items()
    ]
    columns = ("class", "frames", "groups", "error mm", "from", "to", "accepted %", "from", "to")
    table(
        f"{second} less {first} on the {facts['role']} groups of {facts['frozen']['name']} "
        f"({facts['frozen']['origin']})",
        columns,
        rows,
    )
    say(
        f"Mean absolute error on frames that both accept; above 0 {second} is worse. Interval: "
        f"{facts['method']}."
    )
    if facts["role"] == "prove":
        say(f"Opening {facts['openings']} of the prove groups.")
    else:
        say("Groups that models were chosen on: this shows which was chosen better, it is no claim.")
    _show_limits(facts)
    _show_cells(facts)
    names = ("flash", "ram", "stack", "cycles")
    costs = [{} if cost is None else cost for cost in facts["costs"]]
    table(
        "size",
        ("model", *names),
        [(model, *(cost.get(n) for n in names)) for model, cost in zip((first, second), costs, strict=True)],
    )
    for sentence in facts["gains"]:
        say(f"{first} loses, {sentence}.")
    for sentence in facts["losses"]:
        say(f"{second} loses, {sentence}.")
    for sentence in facts["undecided"]:
        say(f"Not enough evidence, {sentence}.")
    if not facts["losses"]:
        so_far = ", as far as these groups can tell" if facts["undecided"] else ""
        say(f"{second} does not lose to {first} where it matters{so_far}.")


def _spread(interval: Mapping[str, float | None], factor: float) -> tuple[float | None, ...]:
    ends = (interval[end] for end in ("value", "low", "high"))
    return tuple(None if end is None else factor * end for end in ends)


def _show_limits(facts: Facts) -> None:
    if facts["limits_of"] is None:
        say("No limits: what matters is the error over all frames.")
        return
    from dataset.text.limits_text import bound_text

    rows = [
        (
            pair["first"]["metric"],
            pair["first"]["condition"],
            bound_text(pair["first"]["bound"], pair["first"].get("or_mm")),
            *(pair[k][what] for what in ("value", "answer") for k in ("first", "second")),
        )
        for pair in facts["limits"]
    ]
    table(
        f"limits {facts['limits_of']}",
        (
            "metric",
            "condition",
            "bound",
            facts["first"],
            facts["second"],
            facts["first"] + " ",
            facts["second"] + " ",
        ),
        rows,
    )


def _show_cells(facts: Facts) -> None:
    """The cells that differ most, either way."""
    known = [cell for cell in facts["cells"] if cell["difference_mm"] is not None]
    known.sort(key=lambda cell: -abs(cell["difference_mm"]))
    rows = [
        (
            c["class"],
            c["liquid"],
            c["level band"],
            c["frames"],
            c["groups"],
            c["first_mm"],
            c["second_mm"],
            c["difference_mm"],
        )
        for c in known[:_CELLS_SHOWN]
    ]
    title = f"where they differ most ({len(rows)} of {len(known)} cells), mean absolute error in mm"
    table(
        title,
        ("class", "liquid", "level", "frames", "groups", facts["first"], facts["second"], "difference"),
        rows,
    )


def _amount(row: Facts, pads: Sequence[str]) -> str:
    """The size of a drift in words."""
    if row["kind"] == "none":
        return ""
    if row["kind"] == "dead pad":
        return pads[int(row["amount"])]
    return f"{row['amount']:+g} %" + (" of swing" if row["kind"] in ("baseline", "film") else "")


def show_sweep(facts: Facts) -> None:
    rows = [
        (
            r["kind"],
            _amount(r, facts["pads"]),
            r["p95_mm"],
            100 * r["accepted_share"],
            r["false_wet_episodes"],
            _by_metric(r["fails"]) or None,
        )
        for r in facts["rows"]
    ]
    title = (
        f"drift of {facts['model']} on the {facts['role']} groups of {facts['frozen']['name']} "
        f"({facts['frozen']['origin']})"
    )
    table(title, ("drift", "by", "p95 mm", "accepted %", "false wet", "limits that fail"), rows)
    if facts["limits"] is not None:
        say("\nWithout drift:")
        show_limits(facts["answers"])
    stands = facts["stands"]
    if stands is None:
        say(_nothing_to_stand(facts))
        return
    for kind, what in (("baseline", "of the swing"), ("gain", "of the counts")):
        say(
            f"{kind}: stands +{stands[f'{kind}_up_pct']:g} % and -{stands[f'{kind}_down_pct']:g} % "
            f"{what}, as far as tried."
        )
    say(f"film above the liquid: stands {stands['film_pct']:g} % of the swing on every pad, as far as tried.")
    say("one dead pad: stands " + (", ".join(facts["pads"][k] for k in stands["dead_pads"]) or "none") + ".")


def _nothing_to_stand(facts: Facts) -> str:
    """Why no step of drift could be named, and what to do about it."""
    if facts["limits"] is None:
        return "No limits, so nothing to stand: name some with --limits."
    return (
        f"None of {facts['limits']} is met without drift on the {facts['role']} groups, so nothing can "
        "fail: a limit that asks for more groups than there are is not met. Name others with --limits, or "
        "other groups with --role."
    )


def _by_metric(fails: Sequence[str]) -> str:
    """Limits that fail, each metric once with its conditions."""
    by_metric: dict[str, list[str]] = {}
    for metric, condition in (name.split(" ", 1) for name in fails):
        by_metric.setdefault(metric, []).append(condition)
    return "; ".join(f"{metric} {', '.join(conditions)}" for metric, conditions in by_metric.items())


def show_study(facts: Facts) -> None:
    from export.report.claim_tables import study_columns, study_rows

    if facts["origin"] != "measured":
        say(
            f"All figures are of {facts['origin']} readings: they say nothing yet of a tank of "
            "plastic and water.\n"
        )
    for what in ("trims", "features"):
        if what in facts:
            table(
                f"{what} of {facts['model']}: P95 on the {facts['role']} groups",
                study_columns(what),
                study_rows(facts[what]["rows"]),
            )
    if "trims" in facts and facts["limits_of"] is not None:
        needed = facts["trims"]["needed"]
        least = (
            f"least trim within them is '{needed}'"
            if needed is not None
            else "no trim that all units have keeps within them"
        )
        say(f"Limits {facts['limits_of']}: {least}.")
    if facts["role"] == "prove":
        say(f"Opening {facts['openings']} of the prove groups.")
    else:
        say("The choose groups also set the thresholds: this tells the rows apart, it is no claim.")
