"""``innage operator``: who captures, by short codes."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table

app = typer.Typer(
    help="Operators: who captures, by short codes.", no_args_is_help=True, rich_markup_mode=None
)


@app.command()
def add(
    codes: Annotated[
        list[str], typer.Argument(metavar="CODE...", help="Short codes, such as initials: all, or none.")
    ],
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Put operators on the list."""
    from dataset.records import Operator

    for added in open_store(store).add_operators([Operator(code, note) for code in codes]):
        say(f"operator {added.name}")


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the operators."""
    operators = open_store(store).operators()
    if json:
        emit([asdict(operator) for operator in operators])
    elif operators:
        table("operators", ("operator", "note"), [(o.name, o.note) for o in operators])
    else:
        say("no operators yet: try 'innage operator add CODE'")
