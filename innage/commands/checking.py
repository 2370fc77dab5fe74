"""``innage check``: is the store as it was written?"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from innage.exit_codes import SAID_NO
from innage.options import DEFAULT_STORE, JsonOption, StoreOption
from innage.terminal.output import emit, progress, say
from innage.terminal.views.store import show_check


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("check")(check)


def check(
    fill_up: Annotated[
        Path | None,
        typer.Option(
            "--fill-up",
            help="Of a file that was cut short: write a copy, zeros at its end, from which what is "
            "left can be read.",
        ),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Check every page, reference and hash of the store. Exit 1 when something is damaged, which is named."""
    from innage.jobs.stores import check as check_store

    with progress(f"checking {store.name}") as shown:
        report = check_store(store, fill_up=fill_up, progress=shown)
    if json:
        emit(
            {
                "sound": report.sound,
                "checked": dict(report.checked),
                "faults": [asdict(fault) for fault in report.faults],
                "warnings": [asdict(warning) for warning in report.warnings],
                "hashed_by_upgrade": report.hashed_by_upgrade,
            }
        )
    else:
        if fill_up is not None:
            say(f"{fill_up}: {store.name} with zeros where its end is missing")
        show_check(store, report)
    if not report.sound:
        raise typer.Exit(SAID_NO)
