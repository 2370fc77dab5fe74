"""``innage standard``: check standards, measured each bench day, and their control charts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.words import StandardKind, counted
from innage.completion import names_of
from innage.options import DEFAULT_STORE, FreeTextOption, JsonOption, OperatorOption, StoreOption, open_store
from innage.terminal.output import emit, say, say_aside, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.admission.control_chart import Chart, ControlLimits
    from innage.jobs.standards import Charted, Means

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
    counts: Annotated[
        str | None, typer.Option(help="Mean counts, one a channel in channel order: 1234.5,987.")
    ] = None,
    port: Annotated[
        str | None,
        typer.Option(
            "--port",
            help="Instead: of a board at this serial port, an address such as socket://HOST:PORT, or - for "
            "standard input.",
        ),
    ] = None,
    baud: Annotated[int, typer.Option("--baud", help="Speed of the serial port.")] = 115200,
    session: Annotated[
        str | None,
        typer.Option(
            "--session",
            help="Instead: of all frames of this session, which is of the standard alone.",
            autocompletion=names_of("session"),
        ),
    ] = None,
    date: Annotated[
        str | None, typer.Option(help="YYYY-MM-DD. Default: that of the session, else today.")
    ] = None,
    temperature_c: Annotated[
        float | None,
        typer.Option("--temperature-c", help="Of the standard, degrees Celsius. Default: the frames'."),
    ] = None,
    frames: Annotated[
        int | None,
        typer.Option(
            "--frames", help="Of how many frames the means are.  [default: 1 typed, 100 of a board]"
        ),
    ] = None,
    operator: OperatorOption = None,
    note: FreeTextOption = "",
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Record a measurement of a check standard; check its limits.

    Several measurements of one day are charted as their mean, and their spread beside it.
    """
    from dataset.errors import InputError
    from dataset.values import today
    from innage.jobs.sessions.capturing import Port
    from innage.jobs.standards import means_of_board, means_of_session
    from innage.jobs.standards import measure as keep

    given = [
        option for option, value in (("--counts", counts), ("--port", port), ("--session", session)) if value
    ]
    if len(given) != 1:
        found = " and ".join(given) or "neither"
        raise InputError("--counts, --port and --session", found, "one of them")
    if session is not None and frames is not None:
        raise InputError("--frames", f"{frames}, and --session beside it", "all of the session's")
    opened = open_store(store)
    if port is not None:
        means = means_of_board(opened, name, Port(port, baud), 100 if frames is None else frames)
    elif session is not None:
        means = means_of_session(opened, name, session)
    else:
        means = _typed(counts or "", 1 if frames is None else frames)
    means = replace(
        means,
        date=date or means.date,
        temperature_c=means.temperature_c if temperature_c is None else temperature_c,
        operator=operator or means.operator,
        note="; ".join(part for part in (means.note, note) if part),
    )
    _show(keep(opened, name, means, today()), json)


def _typed(counts: str, frames: int) -> Means:
    from dataset.errors import InputError
    from dataset.values import plain_float
    from innage.jobs.standards import Means

    try:
        return Means(tuple(plain_float(count) for count in counts.split(",")), frames)
    except ValueError as error:
        expected = "numbers with commas between, such as 1234.5,987"
        raise InputError("--counts", repr(counts), expected) from error


@app.command()
def chart(
    name: NameArgument,
    baseline: Annotated[
        int | None,
        typer.Option("--baseline", help="How many of the first days give the limits. Default: 20."),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Also draw it: .svg, .png or .pdf.")] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show a check standard's control charts. Limits are by the moving range.

    Of a day with several measurements the mean is charted, and their spread on an S chart.
    """
    from innage.jobs.standards import charted

    shown = charted(open_store(store), name, baseline)
    if out is not None:
        from innage.pictures.control_chart import draw_chart

        draw_chart(out, shown.standard, shown.charts)
    _show(shown, json)


@app.command()
def void(
    name: NameArgument,
    which: Annotated[
        str,
        typer.Argument(help="Its date, YYYY-MM-DD; of several that day the first digits of one's hash."),
    ],
    reason: Annotated[
        str, typer.Option(help="What was wrong with it; or why it can be used after all (--take-back).")
    ],
    take_back: Annotated[
        bool, typer.Option("--take-back", help="It was voided wrongly: it can be used after all.")
    ] = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Void a measurement that must not be used, with a reason.

    It is kept; charts, limits and warnings leave it out.
    """
    with open_store(store) as opened:
        standard = opened.check_standard(name)
        if take_back:
            usable = opened.take_back_check_void(standard, which, reason)
            say(f"check standard {standard.name}: the measurement of {usable.date} counts again: {reason}")
        else:
            voided = opened.void_check_measurement(standard, which, reason)
            say(f"check standard {standard.name}: the measurement of {voided.date} is void: {reason}")


def _show(charted: Charted, json: bool) -> None:
    from innage.jobs.standards import measurement_facts

    for day, sessions in charted.sessions.items():
        named = f"sessions of that day: {', '.join(sessions)}" if sessions else "no session is of that day"
        say_aside(f"warning: check standard {charted.standard.name} was out of its limits on {day}; {named}")
    if json:
        emit(charted.facts())
        return
    if charted.measurements:
        _show_charts(charted)
    else:
        say("nothing measured yet: try 'innage standard measure NAME --counts ...'")
    if charted.void:
        rows = [
            (
                facts["date"],
                facts["sha256"][:12],
                ", ".join(f"{count:.6g}" for count in facts["counts"]),
                reason,
            )
            for measured, reason in charted.void
            for facts in (measurement_facts(measured),)
        ]
        table("void, and left out", ("date", "measurement", "counts", "reason"), rows)


def _show_charts(charted: Charted) -> None:
    several = any(number > 1 for number in charted.charts[0].spread.numbers)
    rows = [
        (
            date,
            *((charted.charts[0].spread.numbers[k],) if several else ()),
            _warmth([m.temperature_c for m in charted.measurements if m.date == date]),
            *(_cell(chart, k) for chart in charted.charts),
        )
        for k, date in enumerate(charted.charts[0].dates)
    ]
    columns = ("date", *(("times",) if several else ()), "degrees C", *(c.channel for c in charted.charts))
    table(f"check standard {charted.standard.name}", columns, rows)
    if all(chart.limits is None for chart in charted.charts):
        say(f"no limits before {counted(_fewest(), 'day')}")
    for chart in charted.charts:
        if chart.limits is not None:
            say(f"{chart.channel}: {_limits_said(chart, chart.limits)}")


def _warmth(measured: Sequence[float | None]) -> str:
    known = [temperature for temperature in measured if temperature is not None]
    return f"{sum(known) / len(known):.4g}" if known else "-"


def _cell(chart: Chart, day: int) -> str:
    """A day's mean, and its spread where it was measured several times."""
    mean = f"{chart.values[day]:.6g}{' out' if day in chart.out else ''}"
    spread = chart.spread.values[day]
    return mean if spread is None else f"{mean}, s {spread:.3g}{' out' if day in chart.spread.out else ''}"


def _limits_said(chart: Chart, limits: ControlLimits) -> str:
    spread = chart.spread
    said = (
        f"centre {limits.centre:.6g}, limits {limits.low:.6g} to {limits.high:.6g}, by the first "
        f"{counted(chart.baseline, 'day')}; {len(chart.out)} of {len(chart.values)} out"
    )
    if spread.sigma is None:
        return said
    measured = sum(value is not None for value in spread.values)
    return f"{said}; within a day s = {spread.sigma:.3g}, {len(spread.out)} of {measured} out"


def _fewest() -> int:
    from dataset.admission.control_chart import FEWEST

    return FEWEST
