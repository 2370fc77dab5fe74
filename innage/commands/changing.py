"""``innage changes``: what is other in a newer bundle than in the one before."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from dataset.words import TimeUnit
from innage.completion import names_of
from innage.options import (
    ComparedStoreOption,
    CountOption,
    DelimiterOption,
    HeaderOption,
    JsonOption,
    MappingOption,
    TemperatureColumnOption,
    TimeOption,
    TimeUnitOption,
    columns_of,
    compared_store,
    open_existing,
)
from innage.terminal.output import emit, progress
from innage.terminal.views.models.changes import show_changes


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(changes)


def changes(
    old: Annotated[Path, typer.Argument(help="The bundle in use: its folder, or its zip file.")],
    new: Annotated[Path, typer.Argument(help="The newer bundle.")],
    frozen: Annotated[
        str | None,
        typer.Option(
            help="Compare readings on the sessions of this frozen set, 'prove' left out. Default: the newer "
            "bundle's, where the store has it.",
            autocompletion=names_of("frozen"),
        ),
    ] = None,
    log: Annotated[
        list[Path] | None,
        typer.Option(
            help="Compare readings of this field log too, as 'innage replay' reads it; repeat for more."
        ),
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option(
            help="The unit that was logged: its newest trims are taken.", autocompletion=names_of("unit")
        ),
    ] = None,
    count: CountOption = None,
    time: TimeOption = None,
    time_unit: TimeUnitOption = TimeUnit.MILLISECONDS,
    temperature: TemperatureColumnOption = None,
    since_pour: Annotated[
        str | None,
        typer.Option(
            "--since-pour",
            help="Column of whole seconds since liquid last came in, empty or -1: not known. For models that "
            "are told.",
        ),
    ] = None,
    delimiter: DelimiterOption = None,
    header: HeaderOption = True,
    mapping: MappingOption = None,
    out: Annotated[
        Path | None, typer.Option(help="Write a line for each frame whose reading changed here, as CSV.")
    ] = None,
    json: JsonOption = False,
    store: ComparedStoreOption = None,
) -> None:
    """Show what changed from one bundle to the next.

    Limits, band and costs as the bundles state them, the numbers of their programs, and the readings of both
    on the same sessions and field logs; no 'prove' group is opened. Nothing of a bundle is run: innage
    computes its program.
    """
    from dataset.errors import InputError
    from innage.jobs.models.changing import FieldLogs, bundle_changes
    from innage.outputs import check_place, write_file

    at = compared_store(store)
    if frozen is not None and at is None:
        raise InputError("--frozen", f"{frozen}, and no --store", "the store that has the set")
    if log and at is None:
        raise InputError("--log", f"{log[0]}, and no --store", "the store that has the unit and its sensor")
    if since_pour is not None and not log:
        raise InputError(
            "--since-pour", f"column {since_pour!r}, and no --log", "the log that has the column"
        )
    columns = columns_of(
        mapping, count, time, time_unit, temperature=temperature, delimiter=delimiter, header=header
    )
    logs = FieldLogs(tuple(log), unit, columns, since_pour) if log else None
    if out is not None:
        check_place(out)
    with nullcontext() if at is None else open_existing(at) as opened, progress("comparing") as shown:
        changed = bundle_changes(opened, old, new, frozen=frozen, logs=logs, progress=shown)
    if out is not None:
        if not changed.csv:
            raise InputError("--out", f"no readings to write: {changed.why_no_readings}", "compared readings")
        write_file(out, changed.csv.encode())
    if json:
        emit(changed.facts())
    else:
        show_changes(changed)
