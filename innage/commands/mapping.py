"""``innage mapping``: saved column mappings, made with 'innage log --save-mapping'."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, RetiredOption, StoreOption, open_store
from innage.terminal.output import emit, say, table
from innage.terminal.views.registry import show_retired

app = typer.Typer(
    help="Column mappings, saved with 'innage log --save-mapping NAME'.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command("list")
def list_(
    retired: RetiredOption = False, json: JsonOption = False, store: StoreOption = DEFAULT_STORE
) -> None:
    """List the saved column mappings."""
    from innage.jobs.registry import listed

    opened = open_store(store)
    in_list = listed(opened, "mapping", opened.mappings(), retired=retired)
    mappings = in_list.records
    if json:
        emit(in_list.facts(asdict))
    elif mappings:
        rows = [
            (m.name, m.time, ", ".join(m.counts), m.level, m.level_unit if m.level else None, m.temperature)
            for m in mappings
        ]
        table("column mappings", ("mapping", "time", "counts", "level", "unit", "temperature"), rows)
    else:
        say("no mappings yet: try 'innage log FILE --count COLUMN ... --save-mapping NAME'")
    if not json:
        show_retired(in_list.retired)


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("mapping"))],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show one column mapping."""
    mapping = open_store(store).mapping(name)
    if json:
        emit(asdict(mapping))
        return
    facts = asdict(mapping) | {
        "counts": ", ".join(mapping.counts),
        "delimiter": repr(mapping.delimiter) if mapping.delimiter else "found out",
    }
    table(f"mapping {mapping.name}", ("fact", "value"), [(k, v) for k, v in facts.items() if k != "name"])
