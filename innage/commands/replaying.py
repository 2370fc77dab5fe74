"""``innage replay``: a log from the field through a model, exactly as the chip would have answered."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.records import TimeUnit, TrimKind
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, ModelArgument, StoreOption, columns_of, open_store
from innage.terminal.output import emit
from innage.terminal.views.models.replay import show_summary

if TYPE_CHECKING:
    from dataset.records import Sensor


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(replay)


def replay(
    model: ModelArgument,
    file: Annotated[
        Path, typer.Argument(help="Delimited text or Parquet, a row for each frame; - is standard input.")
    ],
    unit: Annotated[
        str | None,
        typer.Option(
            help="The unit that was logged: its newest trims are taken.", autocompletion=names_of("unit")
        ),
    ] = None,
    trim: Annotated[
        list[str] | None,
        typer.Option(
            help="Instead, the counts of a trim: KIND=c0,c1,... such as dry=812,790; once for each kind."
        ),
    ] = None,
    count: Annotated[
        list[str] | None,
        typer.Option(help="Column of counts; repeat in channel order. Default: the pads' names."),
    ] = None,
    time: Annotated[
        str | None, typer.Option(help="Column of time. Without it frames are one period apart.")
    ] = None,
    time_unit: Annotated[
        TimeUnit, typer.Option("--time-unit", help="Unit of the time column.")
    ] = TimeUnit.MILLISECONDS,
    temperature: Annotated[str | None, typer.Option(help="Column of temperature, degrees Celsius.")] = None,
    delimiter: Annotated[
        str | None,
        typer.Option(help="A character, or tab, space, comma, semicolon, bar. Default: found out."),
    ] = None,
    header: Annotated[
        bool,
        typer.Option(
            "--header/--no-header", help="The first line names the columns; otherwise they are 1, 2, ..."
        ),
    ] = True,
    encoding: Annotated[
        str | None, typer.Option(help="Encoding of the text, such as cp1252. Default: UTF-8.")
    ] = None,
    mapping: Annotated[
        str | None,
        typer.Option(
            help="A saved column mapping, instead of the options for columns; its label is not read.",
            autocompletion=names_of("mapping"),
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Write the readings here, as CSV. Default: standard output.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Give a model's readings of a field log, one for each frame.

    State is carried from power-on at the first; a gap in time starts anew. Exit 2 when the frames do not fit
    the model.
    """
    from dataset.errors import InputError
    from innage.jobs.models.replaying import replay_file

    if json and out is None:
        raise InputError(
            "--json", "no --out beside it", "a file for the readings", "--json prints the summary"
        )
    columns = columns_of(
        mapping,
        count,
        time,
        time_unit,
        temperature=temperature,
        delimiter=delimiter,
        header=header,
        encoding=encoding,
    )
    with open_store(store) as opened:
        sensor = opened.model(model).frozen.sessions[0].mounting.sensor
        replayed = replay_file(
            opened,
            model,
            file,
            unit=unit,
            trim=_typed(trim, sensor) if trim else None,
            columns=columns,
        )
    _write(out, replayed.csv())
    facts = replayed.facts()
    if json:
        emit({"model": model, "file": replayed.parsed.source.file, "out": str(out)} | facts)
    else:
        show_summary(facts, out)


def _typed(given: list[str], sensor: Sensor) -> dict[TrimKind, tuple[int, ...]]:
    """The trims as steps of the sensor's counts."""
    from dataset.counts import steps_given
    from dataset.errors import InputError

    pads = sensor.channel_names
    counts_of: dict[TrimKind, tuple[int, ...]] = {}
    for text in given:
        kind, _, counts = text.partition("=")
        cells = [cell.strip() for cell in counts.split(",")]
        if (
            kind not in set(TrimKind)
            or not all(re.fullmatch(r"[0-9]{1,10}(\.[0-9]{1,9})?", cell) for cell in cells)
            or len(cells) != len(pads)
        ):
            raise InputError(
                "--trim",
                text,
                f"KIND={','.join(pads)} with a count for each",
                "kinds: " + ", ".join(TrimKind),
            )
        counts_of[TrimKind(kind)] = steps_given("--trim", [float(cell) for cell in cells], sensor.count_scale)
    return counts_of


def _write(out: Path | None, text: str) -> None:
    from innage.outputs import write_file

    if out is None:
        sys.stdout.write(text)
    else:
        write_file(out, text.encode())
