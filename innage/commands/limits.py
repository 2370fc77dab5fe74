"""``innage limits``: what a product owner signs."""

from __future__ import annotations

import re
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.records import METRICS
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.output import emit, say, table

if TYPE_CHECKING:
    from dataset.records import Limit

app = typer.Typer(help="Limits: bounds that a model must keep to, versioned.", no_args_is_help=True, rich_markup_mode=None)

ROW = re.compile(r"\s*([^\s<=@#]+)\s*<=\s*([^\s@#]+)\s*(?:@\s*([^\s@#]+)\s*)?(?:#\s*([0-9]+)\s*)?")
ROW_HELP = f"One row, METRIC<=BOUND[@CONDITION][#FEWEST_GROUPS], such as 'rmse_mm<=2'; repeat. Metrics: {', '.join(METRICS)}."


@app.command()
def add(
    name: str,
    row: Annotated[list[str], typer.Option(help=ROW_HELP)],
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add limits; a name that exists gets its next revision."""
    from dataset.records import Limits

    made = open_store(store).add_limits(Limits(name, 0, tuple(read_row(text) for text in row), note))
    say(f"limits {made.name}@{made.revision}: {', '.join(f'{r.metric} <= {r.bound:g} ({r.condition})' for r in made.rows)}")


def read_row(text: str) -> Limit:
    """A limit from the text of ``--row``."""
    from dataset.errors import InputError
    from dataset.records import Limit

    found = ROW.fullmatch(text)
    expected = "METRIC<=BOUND[@CONDITION][#FEWEST_GROUPS], such as 'worst_group_rmse_mm<=2 @beyond #3'"
    if found is None:
        raise InputError("--row", repr(text), expected)
    metric, bound, condition, groups = found.groups()
    try:
        value = float(bound)
    except ValueError as error:
        raise InputError("--row", f"{bound!r} as the bound in {text!r}", expected) from error
    return Limit(metric, value, condition or "all", None, int(groups or 1))


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the limits and their revisions."""
    found = open_store(store).all_limits()
    if json:
        emit([asdict(x) for x in found])
    elif found:
        table("limits", ("limits", "rows", "note"), [(f"{x.name}@{x.revision}", len(x.rows), x.note) for x in found])
    else:
        say("no limits yet: try 'innage limits add NAME --row \"rmse_mm<=2\"'")


@app.command()
def show(name: str, json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """Show the rows of limits (NAME or NAME@REVISION)."""
    limits = open_store(store).limits(name)
    if json:
        emit(asdict(limits))
        return
    rows = [(r.metric, r.bound, r.condition, r.min_groups) for r in limits.rows]
    table(f"limits {limits.name}@{limits.revision}", ("metric", "at most", "condition", "fewest groups"), rows)
    if limits.note:
        say(limits.note)
