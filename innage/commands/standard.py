"""``innage standard``: check standards, measured each bench day, and their control charts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.words import StandardKind
from innage.completion import names_of
from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, OperatorOption, StoreOption, open_store
from innage.terminal.output import emit, say, say_aside, table

if TYPE_CHECKING:
    from innage.jobs.standards import Charted

app = typer.Typer(
    help="Check standards: measured each bench day, with control charts.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
NameArgument = Annotated[str, typer.Argument(autocompletion=names_of("standard"))]


@app.command()
def add(
    name: Annotated[str, typer.Argument(help="Its name on this bench.")],
    kind: Annotated[StandardKind, typer.Option(help="A block against the pads, or a sealed partial fill.")],
    sensor: Annotated[
        str, typer.Option(help="The sensor that it is measured with.", autocompletion=names_of("sensor"))
    ],
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a check standard of this bench."""
    from dataset.records import CheckStandard

    opened = open_store(store)
    added = opened.add_check_standard(CheckStandard(name, kind, opened.sensor(sensor), note))
    say(f"check standard {added.name}: a {added.kind}, sensor {added.sensor.ref}")


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the check standards."""
    from innage.jobs.standards import standard_facts

    opened = open_store(store)
    standards = opened.check_standards()
    if json:
        emit([standard_facts(standard) for standard in standards])
    elif standards:
        rows = []
        for s in standards:
            measured = opened.check_measurements(s)
            last = measured[-1].date if measured else "-"
            rows.append((s.name, s.kind.value, s.sensor.ref, len(measured), last))
        table("check standards", ("standard", "kind", "sensor", "measurements", "last"), rows)
    else:
        say("no check standards yet: try 'innage standard add NAME --kind block --sensor ...'")


@app.command()
def measure(
    name: NameArgument,
    counts: Annotated[str, typer.Option(help="Mean counts, one a channel in channel order: 1234.5,987.")],
    date: Annotated[str | None, typer.Option(help="YYYY-MM-DD. Default: today.")] = None,
    temperature_c: Annotated[
        float | None, typer.Option("--temperature-c", help="Of the standard, degrees Celsius.")
    ] = None,
    frames: Annotated[int, typer.Option("--frames", help="Of how many frames the means are.")] = 1,
    operator: OperatorOption = None,
    note: FreeTextOption = "",
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Keep what a check standard gave; hold it against its limits."""
    from dataset.errors import InputError
    from dataset.values import plain_float, today
    from innage.jobs.standards import measure as keep

    try:
        means = tuple(plain_float(count) for count in counts.split(","))
    except ValueError as error:
        raise InputError(
            "--counts", repr(counts), "numbers with commas between, such as 1234.5,987"
        ) from error
    charted = keep(
        open_store(store),
        name,
        means,
        date or today(),
        temperature_c=temperature_c,
        frames=frames,
        operator=operator,
        note=note,
    )
    _show(charted, json)


@app.command()
def chart(
    name: NameArgument,
    baseline: Annotated[
        int | None,
        typer.Option("--baseline", help="How many of the first measurements give the limits. Default: 20."),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Also draw it: .svg, .png or .pdf.")] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show a check standard's control charts. Limits are by the moving range."""
    from innage.jobs.standards import charted

    shown = charted(open_store(store), name, baseline)
    if out is not None:
        from innage.pictures.control_chart import draw_chart

        draw_chart(out, shown.standard, shown.charts)
    _show(shown, json)


def _show(charted: Charted, json: bool) -> None:
    for day, sessions in charted.sessions.items():
        named = f"sessions of that day: {', '.join(sessions)}" if sessions else "no session is of that day"
        say_aside(f"warning: check standard {charted.standard.name} was out of its limits on {day}; {named}")
    if json:
        emit(charted.facts())
        return
    if not charted.measurements:
        say("nothing measured yet: try 'innage standard measure NAME --counts ...'")
        return
    outside = {(k, chart.channel) for chart in charted.charts for k in chart.out}
    rows = [
        (
            m.date,
            "-" if m.temperature_c is None else f"{m.temperature_c:g}",
            *(
                f"{chart.values[k]:.6g}{' out' if (k, chart.channel) in outside else ''}"
                for chart in charted.charts
            ),
        )
        for k, m in enumerate(charted.measurements)
    ]
    columns = ("date", "degrees C", *(chart.channel for chart in charted.charts))
    table(f"check standard {charted.standard.name}", columns, rows)
    if all(chart.limits is None for chart in charted.charts):
        say(f"no limits before {_fewest()} measurements")
    for chart in charted.charts:
        if (limits := chart.limits) is not None:
            say(
                f"{chart.channel}: centre {limits.centre:.6g}, limits {limits.low:.6g} to {limits.high:.6g}, "
                f"by the first {chart.baseline}; {len(chart.out)} of {len(chart.values)} out"
            )


def _fewest() -> int:
    from dataset.admission.control_chart import FEWEST

    return FEWEST
