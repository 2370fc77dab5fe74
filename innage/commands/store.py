"""``innage store``: everything as open files, to leave with or to come back from; a store on a server."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from dataset.words import counted
from innage.exit_codes import SAID_NO
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_existing, option_of
from innage.terminal.output import emit, progress, say
from innage.terminal.views.exchange import exchanged_facts, show_exchanged

app = typer.Typer(
    help="The whole store: as open files, and on a server.", no_args_is_help=True, rich_markup_mode=None
)


@app.command("export")
def export(
    folder: Annotated[Path, typer.Argument(help="The folder to write; new, or empty.")],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Write everything in the store as open files. Documents as JSON, frames as Parquet, models as ONNX,
    and an index with the hash of each.
    """
    from innage.jobs.open_files import export_store

    with open_existing(store) as opened, progress(f"exporting {store.name}") as show:
        exported = export_store(opened, folder, progress=show)
    if json:
        emit({"folder": str(folder)} | asdict(exported))
        return
    say(
        f"{folder}: {counted(exported.objects, 'object')} in {counted(exported.files, 'file')}, "
        f"{counted(exported.bytes, 'byte')}"
    )
    for name in exported.open_captures:
        say(f"capture {name} is still open and was left out: seal it, then export again")
    say(f"Bring it into a store with: innage store import {folder} --store FILE")


@app.command("import")
def import_(
    folder: Annotated[Path, typer.Argument(help="A folder that 'innage store export' wrote.")],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would come in, and write nothing.")
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Bring in what such a folder has and the store has not. What contradicts the store is held back with
    all that refers to it, and named: exit code 1.
    """
    from innage.jobs.open_files import import_store

    with progress(f"importing {folder.name}") as show:
        report = import_store(store, folder, dry_run=dry_run, progress=show)
    if json:
        emit(exchanged_facts(report, option_of) | {"dry_run": dry_run})
    else:
        show_exchanged(f"{folder.name} into {store.name}", report, option_of)
        ending = (
            f"nothing was written; {report.new} new without --dry-run" if dry_run else f"{report.new} new"
        )
        say(ending if report.new else "nothing new")
    if report.held:
        raise typer.Exit(SAID_NO)


@app.command("upgrade")
def upgrade(
    bench: Annotated[
        str | None,
        typer.Option(help="Of a new store: its own bench's identity, 32 digits. Default: random."),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Make a store in an empty database of a server, or upgrade it. One in a file is upgraded when opened.

    Back up a server's store first: it is upgraded in place, whole or not at all.
    """
    from innage.jobs.api import upgrade_store

    done = upgrade_store(store, bench=bench)
    if json:
        emit({"store": str(store), "before": done.before, "revision": done.revision})
    elif done.before is None:
        say(f"{store}: a new store, at revision {done.revision}")
    elif done.before == done.revision:
        say(f"{store}: already at revision {done.revision}")
    else:
        say(f"{store}: upgraded from revision {done.before} to {done.revision}")
