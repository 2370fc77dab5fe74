"""What boards measured of a model, on the page of a model in a store; a bundle is written before."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from export.report.html import NONE, html_table

_TITLES = (
    "Board",
    "Its firmware's compiler",
    "Vectors",
    "Step, cycles at most",
    "In the mean",
    "Prepare at most",
    "Stack, bytes",
    "Bundle",
)
_NOTE = (
    "<p>Each board gave every expected number of its bundle's vectors. Cycles and stack are what was seen on "
    "these vectors, interrupts and wait states included, and no bounds.</p>"
)


def boards_section(facts: Mapping[str, Any]) -> list[str]:
    """A row a measurement; nothing where there is none."""
    rows = [_row(measured) for measured in facts.get("boards", ())]
    if not rows:
        return []
    return [
        "<h2>Measured on boards</h2>",
        html_table(_TITLES, rows, left=(0, 1, 7)),
        _NOTE,
    ]


def _row(measured: Mapping[str, Any]) -> tuple[str, ...]:
    mean, built = measured["cycles_mean"], measured["built"]
    user, firmware = measured["board"], measured["firmware"]
    figures = [measured["vectors"], measured["cycles"], None if mean is None else round(mean)]
    figures += [measured["prepare_cycles"], measured["stack_bytes"]]
    return (
        escape(f"{user} ({firmware})" if user and firmware else user or firmware) or NONE,
        escape(f"{measured['compiler']}{f' for {built}' if built else ''}".strip()) or NONE,
        *(NONE if figure is None else str(figure) for figure in figures),
        escape(measured["bundle_sha256"][:12]),
    )
