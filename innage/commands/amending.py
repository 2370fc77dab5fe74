"""``innage amend``: what a sealed session says, stated anew."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from innage.completion import names_of
from innage.options import (
    DEFAULT_STORE,
    BenchOption,
    ConditionOption,
    FirmwareOption,
    JsonOption,
    LiquidOption,
    OperatorOption,
    SessionArgument,
    StartOption,
    StoreOption,
    UnitOption,
    open_store,
)
from innage.terminal.output import emit, say


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(amend)


def amend(
    session: SessionArgument,
    author: Annotated[str, typer.Option(help="Who amends it.")],
    reason: Annotated[str, typer.Option(help="Why; read a year later.")],
    unit: UnitOption = None,
    liquid: LiquidOption = None,
    mounting: Annotated[
        str | None,
        typer.Option("--mounting", help="The mounting.", autocompletion=names_of("mounting")),
    ] = None,
    condition: ConditionOption = None,
    conditions: Annotated[
        Path | None,
        typer.Option("--conditions", help="Conditions by stretch: CSV with from,to or from_ms,to_ms."),
    ] = None,
    no_condition: Annotated[
        bool, typer.Option("--no-condition", help="Nothing is known of its conditions.")
    ] = False,
    operator: OperatorOption = None,
    bench: BenchOption = None,
    start: StartOption = None,
    board_firmware: FirmwareOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Amend what is stated of a sealed session. What it was sealed with is kept.

    Readings, marks and the session's hash stay; lists, gaps, freezing and training go by the amendment, and
    frozen sets keep what they took. The import checks are made again.
    """
    from innage.jobs.sessions.amending import NewStatements, amend_session
    from innage.jobs.sessions.session_facts import stated_text

    stated = NewStatements(
        unit, liquid, mounting, condition, conditions, no_condition, operator, start, board_firmware, bench
    )
    with open_store(store) as opened:
        amended = amend_session(opened, session, stated, author, reason)
    if json:
        emit(amended.facts())
        return
    now, amendment = amended.session, amended.amendment
    say(f"session {now.id}: amendment {amendment.sha256[:12]} by {author}: {stated_text(amendment.stated)}")
    for warning in now.warnings:
        say(f"warning: {warning.check}: {warning.sentence}")
    if amended.frozen_sets:
        say(f"frozen sets that keep what it said: {', '.join(amended.frozen_sets)}")
    if amended.trims:
        of = ", ".join(f"{trim.kind} of {trim.unit.name} ({trim.date})" for trim in amended.trims)
        say(f"trims that were taken from it before, and cannot be frozen as they are: {of}")
