"""``innage unit compare``: one unit on two benches."""

from __future__ import annotations

from typing import Annotated

import typer

from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table


def register(app: typer.Typer) -> None:
    """Add the command to the group."""
    app.command("compare")(compare)


def compare(
    name: Annotated[str, typer.Argument(autocompletion=names_of("unit"))],
    benches: Annotated[
        list[str],
        typer.Option("--bench", help="A bench's name or identity; twice.", autocompletion=names_of("bench")),
    ],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Compare a unit's counts on two benches, level by level."""
    from innage.jobs.two_benches import on_two_benches

    compared = on_two_benches(open_store(store), name, benches)
    facts = compared.facts()
    if json:
        emit(facts)
        return
    rows = [
        (
            d["liquid"],
            f"{d['level_mm']:g}",
            d["channel"],
            *(f"{count:.6g}" for count in d["counts"]),
            f"{d['difference']:+.4g}",
            f"{d['u']:.3g}",
            f"{d['e_n']:+.2f}",
        )
        for d in facts["differences"]
    ]
    first, second = compared.benches
    columns = ("liquid", "level mm", "pad", first, second, "difference", "standard u", "E_n")
    table(f"unit {compared.unit} on two benches: mean counts", columns, rows)
    say(
        f"{compared.beyond} of {len(rows)} differences are beyond their expanded uncertainty (k = 2); chance "
        "alone puts about 5 in 100 there"
    )
    if any(d["level_part"] is None for d in facts["differences"]):
        say("of one level alone the uncertainty of the level itself cannot be told in counts")
