"""The report's section on what the model costs: against a budget, or as training measured it."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from export.core.cost_words import cost_sentences
from export.report.axes import bar
from export.report.html import NONE, html_table, number
from training.judging.figures import KeptCost
from training.search.metrics import CandidateRow


def costs_section(facts: Mapping[str, Any], chosen: CandidateRow | None) -> list[str]:
    """What the model takes of a budget; without one what training measured, or that nobody did."""
    budget, cost = facts["budget"], facts["cost"]
    if budget is None or cost is None:
        return ["<h2>Cost</h2>", *_cost_of_training(None if chosen is None else chosen.cost)]
    rows = [
        (
            escape(c["resource"]),
            str(c["used"]),
            "" if c["bound"] is None else str(c["bound"]),
            str(c["allowed"]),
            _used(max(c["used"], c["bound"] or 0), c["allowed"]),
        )
        for c in cost["lines"]
    ]
    compiled = (
        f"Flash: code {number(cost['flash_code'])}, tables {number(cost['flash_tables'])}, division helpers "
        f"{number(cost['flash_helpers'])} bytes."
    )
    if "uses" in cost:
        compiled = f"{escape(' '.join(cost_sentences(cost)))} {compiled} {_adds(cost['interfaces'])}"
    how = (
        f"Measured on the compiled C on an emulated {escape(budget['core'])}: a model of that core "
        "with the budget's multiplier and wait states, not a board."
    )
    basis = f" Bounds: {escape(cost['basis'])}." if cost["basis"] else ""
    title = f"<h2>Cost against budget {escape(budget['name'])}</h2>"
    return [
        title,
        html_table(("Resource", "Measured", "Upper bound", "Budget", ""), rows, left=(0, 4)),
        f"<p>{compiled} {how}{basis}</p>",
    ]


def _cost_of_training(cost: KeptCost | None) -> list[str]:
    """What the chosen candidate was found to cost."""
    if cost is None:
        return [f"<p>Not measured in training. {_TO_MEASURE}</p>"]
    rows = [
        ("flash bytes", str(cost.flash), NONE),
        ("RAM bytes", str(cost.ram), NONE),
        ("stack bytes", str(cost.stack), number(cost.stack_bound)),
        ("cycles of step", str(cost.cycles), number(cost.cycles_bound)),
    ]
    how = (
        f"Measured in training on the compiled C of the chosen candidate, without a band, on an emulated "
        f"{escape(cost.core)}: a model of that core, not a board."
    )
    table = html_table(("Resource", "Measured", "Upper bound"), rows)
    return [table, f"<p>{how} {_TO_MEASURE}</p>"]


_TO_MEASURE = (
    "With a budget (<code>innage report model --budget</code>) the whole model is measured against it."
)


def _adds(interfaces: dict[str, int]) -> str:
    """What each part of the interface adds."""
    if not interfaces:
        return ""
    adds = ", ".join(
        f"{escape(name)} {number(size)}" for name, size in sorted(interfaces.items()) if name != "leanest"
    )
    alone = number(interfaces["leanest"])
    return f"With init, prepare and step alone {alone} bytes; alone, each adds: {adds} bytes."


def _used(used: int, allowed: int) -> str:
    return bar(used / allowed if allowed > 0 else 1.0, "bar" if used <= allowed else "bar over")
