"""``innage unit``: physical samples, and the benches that they come from."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from dataset.errors import InputError
from dataset.values import natural
from dataset.words import counted
from innage.completion import names_of
from innage.options import (
    DEFAULT_STORE,
    AfterOption,
    FreeTextOption,
    JsonOption,
    LimitOption,
    RetiredOption,
    StoreOption,
    open_store,
)
from innage.terminal.output import emit, say, table
from innage.terminal.views.logged import begun, remarks
from innage.terminal.views.pages import show_next
from innage.terminal.views.registry import show_retired, union_said
from innage.terminal.views.trim import show_trims

app = typer.Typer(
    help="Units: physical samples of board, adhesive and tank.", no_args_is_help=True, rich_markup_mode=None
)
ReasonOption = Annotated[str, typer.Option("--reason", help="How somebody knows, for whoever asks later.")]


@app.command()
def add(
    names: Annotated[list[str], typer.Argument(metavar="NAME...", help="One or several: all, or none.")],
    serial: Annotated[
        str | None,
        typer.Option("--serial", help="The serial number of one unit: what it is known by on every bench."),
    ] = None,
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add units."""
    from dataset.records import Unit

    if serial is not None and len(names) > 1:
        raise InputError(
            "serial", f"one for {counted(len(names), 'unit')}", "one unit with its serial", fields=("serial",)
        )
    for added in open_store(store).add_units([Unit(name, note, serial) for name in names]):
        say(f"unit {added.name}")


@app.command("list")
def list_(
    retired: RetiredOption = False,
    limit: LimitOption = None,
    after: AfterOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the units. --limit and --after give a page of them, by name, byte by byte."""
    from innage.jobs.pages import page_of_units
    from innage.jobs.registry import listed, unit_facts

    opened = open_store(store)
    page = None
    if limit is None and after is None:
        shown = sorted(opened.units(), key=lambda unit: natural(unit.name))
    else:
        left_out = frozenset[str]() if retired else frozenset(opened.retired("unit"))
        page = page_of_units(opened, limit, after or None, left_out)
        shown = list(page.items)
    in_list = listed(opened, "unit", shown, retired=retired)
    facts = {unit["name"]: unit for unit in unit_facts(opened, in_list.records)}
    units = in_list.facts(lambda unit: facts[unit.name])
    if json:
        emit(units if page is None else {"items": units, "next": page.next})
    elif units:
        rows = [(u["name"], u["serial"], u["bench_name"], u["note"]) for u in units]
        table("units", ("unit", "serial", "bench", "note"), rows)
    else:
        say("no units yet: try 'innage unit add NAME'")
    if not json:
        show_retired(in_list.retired)
    if page is not None and not json:
        show_next(page.next, "unit")


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("unit"))],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show one unit: trims, sessions and mountings."""
    from innage.jobs.registry import unit_history
    from innage.jobs.sessions.finding import as_people_count, line_of

    history = unit_history(open_store(store), name)
    unit = history.unit
    if json:
        emit(history.facts())
        return
    facts = [
        ("serial", unit["serial"]),
        ("bench", unit["bench_name"]),
        ("name on its bench", unit["origin_name"]),
        ("note", unit["note"]),
        *(("later", union_said(union)) for union in history.unions),
        ("mountings", ", ".join(history.mountings)),
    ]
    table(f"unit {unit['name']}", ("fact", "value"), facts)
    if history.trims:
        show_trims(history.trims, of_one_unit=True)
    if history.sessions:
        of_session = [
            (s.id, s.mounting, s.liquid, begun(s), remarks(s, all_simulated=False))
            for s in as_people_count(map(line_of, history.sessions))
        ]
        table("sessions", ("session", "mounting", "liquid", "begun", "remarks"), of_session)


@app.command()
def same(
    one: Annotated[str, typer.Argument(metavar="UNIT", autocompletion=names_of("unit"))],
    other: Annotated[str, typer.Argument(metavar="UNIT", autocompletion=names_of("unit"))],
    reason: ReasonOption,
    take_back: Annotated[bool, typer.Option("--take-back", help="They are two units after all.")] = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """State that two units are one, with a reason.

    Frozen sets keep the groups that they were frozen with.
    """
    opened = open_store(store)
    if take_back:
        opened.part_units(one, other, reason)
        say(f"units {one} and {other} are two")
    else:
        say(f"units {one} and {other} are one, shown as {opened.unite_units(one, other, reason).name}")


@app.command()
def serial(
    name: Annotated[str, typer.Argument(metavar="NAME", autocompletion=names_of("unit"))],
    reason: ReasonOption,
    number: Annotated[
        str | None, typer.Argument(metavar="[SERIAL]", help="What stands on its plate; not with --take-back.")
    ] = None,
    author: Annotated[str | None, typer.Option("--author", help="Who read it; kept with the reason.")] = None,
    take_back: Annotated[bool, typer.Option("--take-back", help="The serial is not its own.")] = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Give a unit its serial number later, and say why.

    What was logged of it keeps its hashes; it is known by the serial from now on, here and where it is
    pushed or merged.
    """
    if (number is None) != take_back:
        found = "nothing" if number is None else f"{number} with --take-back"
        raise InputError("SERIAL", found, "the serial, or --take-back")
    why = reason if author is None or not reason.strip() else f"{reason} (by {author})"
    opened = open_store(store)
    if number is None:
        unit = opened.take_back_serial(name, why)
        say(f"unit {unit.name} has {'no serial' if unit.serial is None else f'serial {unit.serial}'}: {why}")
    else:
        say(f"unit {name} has serial {opened.give_serial(name, number, why).serial}: {why}")


@app.command()
def benches(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the benches that units come from; this store's own first."""
    known = open_store(store).benches()
    if json:
        emit([asdict(bench) for bench in known])
    else:
        rows = [(b.name, b.identity, "yes" if b.own else "", b.note) for b in known]
        table("benches", ("bench", "identity", "this store's", "note"), rows)


@app.command("name-bench")
def name_bench(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What to call the bench in this store.")],
    bench: Annotated[
        str | None, typer.Option("--bench", help="Its name or identity now.  [default: this store's own]")
    ] = None,
    note: Annotated[str | None, typer.Option("--note", help="Free text.")] = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Give a bench a name; its identity stays."""
    opened = open_store(store)
    named = opened.name_bench(opened.bench(bench).identity, name, note)
    say(f"bench {named.name}, {named.identity}")


@app.command("part-bench")
def part_bench(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What to call this store's new bench.")],
    reason: ReasonOption,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Give a copied store a bench of its own, before it is used.

    What it holds stays with the old bench. New units, instruments and check standards belong to the new
    one. Its note says from which bench it parted, and why.
    """
    bench = open_store(store).part_bench(name, reason)
    say(f"bench {bench.name}, {bench.identity}, {bench.note}")
