"""What boards measured of a model, as rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from innage.terminal.output import table

COLUMNS = ("board", "compiler", "vectors", "step\nat most", "step\nmean", "prepare\nat most", "stack\nbytes")


def board_name(measured: Mapping[str, Any]) -> str:
    """What its user calls a board, and what its firmware calls it."""
    user, firmware = measured["board"], measured["firmware"]
    return f"{user} ({firmware})" if user and firmware else user or firmware


def board_row(measured: Mapping[str, Any]) -> tuple[object, ...]:
    """One measurement in the order of ``COLUMNS``; what was not measured is None."""
    mean = measured["cycles_mean"]
    built = f" for {measured['built']}" if measured["built"] else ""
    return (
        board_name(measured) or "-",
        f"{measured['compiler']}{built}".strip(),
        measured["vectors"],
        measured["cycles"],
        None if mean is None else round(mean),
        measured["prepare_cycles"],
        measured["stack_bytes"],
    )


def show_boards(boards: Sequence[Mapping[str, Any]]) -> None:
    """A row a measurement; nothing where there is none."""
    if boards:
        table("measured on boards, cycles and bytes", COLUMNS, [board_row(one) for one in boards])
