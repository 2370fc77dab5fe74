"""The report's section on what the model makes of a broken sensor chain, and what is left to the
application.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from export.report.axes import bar
from export.report.html import counted, html_table, number
from training.judging.chain_faults import FAULTS
from training.judging.figures import FaultFigures, FaultTable

# By how much more than without a fault a model is silently wrong for its application to have to look.
LEFT_SHARE = 0.01


def left_to_the_application(table: FaultTable) -> tuple[str, ...]:
    """The faults with which more than a hundredth of the frames more than without are silently wrong."""
    without, *rows = table.rows
    return tuple(
        row.kind for row in rows if row.share(row.silent) > without.share(without.silent) + LEFT_SHARE
    )


def broken_chain_section(facts: Mapping[str, Any]) -> list[str]:
    """The fault table; a sentence where nobody measured it, nothing for a model that was not exported."""
    if "faults" not in facts:
        return []
    title = "<h2>What a broken sensor chain does</h2>"
    table = FaultTable.from_json(facts["faults"])
    if table is None:
        return [title, "<p>Not measured: no session was there to put faults on.</p>"]
    head = ("Fault", "Withheld", "Harmless", "Flagged", "Silently wrong", "", "Episodes", "Wrong", "At most")
    left = "; ".join(escape(kind) for kind in left_to_the_application(table))
    seen = "that the model was fitted on" if "fit" in table.roles else "that the model was not fitted on"
    sentences = (
        f"One fault at a time, put on {counted(table.sessions, 'session')} of {counted(table.units, 'unit')} "
        f"{seen} ({escape(' and '.join(table.roles))}, none of 'prove'). Of frames while it lasts: "
        f"withheld; given within {number(table.bound_pct)} % of the span; further off with a flag that the "
        "fault raised; further off without. An episode is one session with the fault at one place; it is "
        "wrong when one frame is silently so, and the bound of that rate is exact and one-sided (95 %), for "
        "sessions like these."
    )
    told = "since more than 1 % of the frames more than without a fault are silently wrong"
    return [
        title,
        html_table(head, [_row(row) for row in table.rows], left=(0, 5)),
        f"<p>{sentences}</p>",
        f"<p><strong>Left to the application</strong>, {told}: {left or 'none of these'}.</p>",
        *_left_out(table),
    ]


def _row(row: FaultFigures) -> tuple[str, ...]:
    frames = (sum(row.withheld.values()), row.harmless, row.flagged, row.silent)
    says = FAULTS[row.kind].says if row.kind in FAULTS else "the same sessions as they are"
    return (
        f"{escape(row.kind)}<br><small>{escape(says)}</small>",
        *(number(row.share(count), percent=True) for count in frames),
        bar(row.share(row.silent), "bar over"),
        str(row.episodes),
        number(row.wrong / row.episodes if row.episodes else None, percent=True),
        number(row.upper_bound_95, percent=True),
    )


def _left_out(table: FaultTable) -> list[str]:
    """What was not tried, and why."""
    said = "; ".join(f"{escape(kind)}: {escape(why)}" for kind, why in sorted(table.left_out.items()))
    return [f"<p>Not tried: {said}.</p>"] if said else []
