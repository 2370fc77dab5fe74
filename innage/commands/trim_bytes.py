"""``innage trim bytes`` and ``innage trim read``: trims as they lie in a unit's non-volatile memory."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.records import TrimKind
from dataset.words import counted
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_existing, open_store
from innage.terminal.output import emit, say, say_aside
from innage.terminal.views.trim import show_records


def register(app: typer.Typer) -> None:
    """Add the commands to those of trims."""
    app.command("bytes")(write)
    app.command()(read)


def write(
    unit: Annotated[str, typer.Argument(help="The unit.", autocompletion=names_of("unit"))],
    out: Annotated[Path, typer.Option("--out", help="The file to write.")],
    kind: Annotated[
        list[TrimKind] | None,
        typer.Option(help="A kind of trim, once for each; default: every kind that the unit has."),
    ] = None,
    mounting: Annotated[
        str | None,
        typer.Option(
            help="The mounting, where the unit has trims on several.", autocompletion=names_of("mounting")
        ),
    ] = None,
    serial: Annotated[
        str | None,
        typer.Option(
            help="What the board calls itself, at most 16 characters; default: the unit's serial, else its "
            "name."
        ),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Write a unit's newest trims as the bytes that the C reads. One record for each kind; docs/firmware.md
    has the layout.
    """
    from innage.jobs.trims import record_facts, write_trim_bytes

    with open_store(store) as opened:
        records = write_trim_bytes(opened, unit, out, kinds=kind or (), mounting=mounting, serial=serial)
        named = serial is None and opened.unit(unit).serial is None
    if named:
        say_aside(
            f"note: unit {unit} has no serial in the store, so the records have its name; a board that "
            "calls itself otherwise refuses them. Say --serial, or record it with 'innage unit serial'"
        )
    size = out.stat().st_size
    if json:
        emit({"out": str(out), "bytes": size, "records": [record_facts(record) for record in records]})
        return
    show_records(f"trims of unit {unit}", records)
    say(f"{out} written, {counted(size, 'byte')}, {size // len(records)} a record")


def read(
    file: Annotated[Path, typer.Argument(help="Bytes as they were in a unit's memory.")],
    model: Annotated[
        str | None,
        typer.Option(
            help="Refuse what firmware with this model refuses.",
            show_default=False,
            autocompletion=names_of("model"),
        ),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show the trims in a file of bytes. Every byte is checked, and one that is wrong is named."""
    from innage.jobs.trims import read_trim_bytes, record_facts

    records = read_trim_bytes(file, None if model is None else open_existing(store).model(model))
    if json:
        emit([record_facts(record) for record in records])
    else:
        show_records(f"trims in {file}", records)
