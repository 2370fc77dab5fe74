"""``innage text``: registry, limits and marks as plain text, for a version control system."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.words import counted
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store, option_of
from innage.terminal.output import emit, say
from innage.terminal.views.exchange import merged_facts, show_exchanged
from innage.terminal.views.store import show_elsewhere

app = typer.Typer(
    help="Registry, limits and marks as plain text that diffs well.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command("export")
def export(
    folder: Annotated[
        Path,
        typer.Argument(help="The folder to write to; made when missing. Other files there stay."),
    ],
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Write registry, limits, marks and amendments as text files. All revisions and retirements; no
    frames, trims or models.
    """
    from innage.jobs.stores import write_text

    with open_store(store) as opened:
        files = write_text(opened, folder)
    say(
        f"{folder}: "
        f"{counted(files, 'file')}. Frames, trims, frozen sets, models with what they are said to be, and "
        "exports are in the store only: 'innage backup' copies those."
    )


@app.command("import")
def import_(
    folder: Annotated[Path, typer.Argument(help="A folder that 'innage text export' wrote.")],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Bring in what the text holds and the store has not. All of it or nothing, by the rules of 'innage
    merge'.
    """
    from innage.jobs.stores import read_text

    with open_store(store) as opened:
        report = read_text(opened, folder)
    merged = report.merged
    if json:
        emit(merged_facts(merged) | {"elsewhere": report.elsewhere})
        return
    show_exchanged(f"{folder} into {store.name}", merged, option_of, other="the text")
    show_elsewhere(tuple(report.elsewhere))
    say(f"{merged.new} new" if merged.new else "nothing new")
