"""``innage replay``: a log from the field, or a board as it streams, through a model, exactly as the chip
would have answered.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.records import TimeUnit, TrimKind
from innage.completion import names_of
from innage.exit_codes import SAID_NO
from innage.options import (
    AIR_DENSITY_KG_M3,
    DEFAULT_STORE,
    AirOption,
    BenchOption,
    DaskOption,
    DimensionOption,
    FirmwareOption,
    InstrumentOption,
    JsonOption,
    LabelTemperatureOption,
    ModelArgument,
    OperatorOption,
    ScaleOption,
    StartOption,
    StoreOption,
    TagOption,
    TareOption,
    TemperatureOption,
    columns_of,
    open_store,
    option_of,
)
from innage.scale_options import (
    SCALE_BAUD,
    SETTLE_S,
    STEADY_G,
    ScaleBaudOption,
    ScalePortOption,
    SettleOption,
    SteadyOption,
    labelling_by,
)
from innage.sections import SectionedCommand
from innage.terminal.output import emit, harmless, progress, say_aside
from innage.terminal.views.models.replay import show_files, show_summary, sums

if TYPE_CHECKING:
    from dataset.records import Sensor
    from dataset.store import Store
    from innage.jobs.models.replaying import LogReplayer
    from innage.jobs.sessions.capturing import Port
    from innage.jobs.trial.setup import Beside, Tried
    from innage.jobs.trial.stepping import Reading


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(cls=SectionedCommand)(replay)


LIVE = "Live, instead of a file"
OF_BOTH = ("context", "model", "unit", "trim", "mounting", "json", "store")
OF_FILES = (
    *("files", "count", "time", "time_unit", "temperature", "delimiter", "header", "encoding", "mapping"),
    *("since_pour", "out", "dask"),
)


def replay(
    context: typer.Context,
    model: ModelArgument,
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            help="Delimited text or Parquet, a row for each frame; - is standard input. Or none, with --port."
        ),
    ] = None,
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
    since_pour: Annotated[
        str | None,
        typer.Option(
            "--since-pour",
            help="Column of whole seconds since liquid last came in, empty or -1: not known. For "
            "models that take it; not with --port.",
        ),
    ] = None,
    delimiter: Annotated[
        str | None,
        typer.Option(help="A character, or tab, space, comma, semicolon, bar. Default: found from the file."),
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
        Path | None,
        typer.Option(
            help="Write the readings here, as CSV; of several files: to this folder, a file each. "
            "Default: standard output; of several files nowhere."
        ),
    ] = None,
    port: Annotated[
        str | None,
        typer.Option(
            "--port",
            help="A serial port, an address such as socket://HOST:PORT, or - for standard input.",
            rich_help_panel=LIVE,
        ),
    ] = None,
    baud: Annotated[
        int, typer.Option("--baud", help="Speed of the serial port.", rich_help_panel=LIVE)
    ] = 115200,
    mounting: Annotated[
        str | None,
        typer.Option(
            "--mounting",
            help="What the board stands on. Default: the model's mounting that the unit has trims on.",
            rich_help_panel=LIVE,
            autocompletion=names_of("mounting"),
        ),
    ] = None,
    liquid: Annotated[
        str | None,
        typer.Option(
            "--liquid",
            help="What is in the tank: to keep stretches as sessions, and to weigh.",
            rich_help_panel=LIVE,
            autocompletion=names_of("liquid"),
        ),
    ] = None,
    name: Annotated[
        str,
        typer.Option(
            "--name", help="What the names of stretches begin with that are kept.", rich_help_panel=LIVE
        ),
    ] = "trial",
    condition: Annotated[
        str | None,
        typer.Option(
            "--condition",
            help="Conditions of what is kept, such as surface=foam:20-45,wall=film.",
            rich_help_panel=LIVE,
        ),
    ] = None,
    note: Annotated[
        str, typer.Option("--note", help="Free text, kept with each session.", rich_help_panel=LIVE)
    ] = "",
    operator: OperatorOption = None,
    bench: BenchOption = None,
    start: StartOption = None,
    board_firmware: FirmwareOption = None,
    tag: TagOption = None,
    instruments: InstrumentOption = None,
    scale: ScalePortOption = None,
    scale_baud: ScaleBaudOption = SCALE_BAUD,
    steady_g: SteadyOption = STEADY_G,
    settle_s: SettleOption = SETTLE_S,
    tare_g: TareOption = 0.0,
    scale_half_width_g: ScaleOption = 0.0,
    dimension_half_width_mm: DimensionOption = 0.0,
    label_temperature_c: LabelTemperatureOption = None,
    temperature_half_width_k: TemperatureOption = 0.0,
    air_density_kg_m3: AirOption = AIR_DENSITY_KG_M3,
    dask: DaskOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Give a model's readings of field logs, or of a live board.

    State is carried from power-on at the first frame of a file; a gap in time starts anew. With --port the
    frames are those of a board as they stream, and --json prints each in a line. Exit 2 when the frames do
    not fit the model; 1 when those of one of several files do not, and the others are replayed.
    """
    from dataset.errors import InputError
    from innage.jobs.models.replaying import LogReplayer, program_of

    _not_both(context, live=port is not None)
    if port is not None:
        from dataset.admission.starts import stated_start
        from dataset.live.scale import Steadiness
        from innage.jobs.instruments import in_use
        from innage.jobs.sessions.capturing import Port
        from innage.jobs.sessions.circumstances import find_occasion
        from innage.jobs.trial.setup import Beside, Tried

        opened = open_store(store)
        sensor = opened.model(model).frozen.sessions[0].mounting.sensor
        if program_of(opened.model(model)).longest_pour_s:
            say_aside(f"model {model} is not told when liquid last came in: a board has no way to tell it")
        beside = Beside(
            labelling_by(
                tare_g=tare_g,
                scale_half_width_g=scale_half_width_g,
                dimension_half_width_mm=dimension_half_width_mm,
                label_temperature_c=label_temperature_c,
                temperature_half_width_k=temperature_half_width_k,
                air_density_kg_m3=air_density_kg_m3,
            ),
            liquid,
            None if scale is None else Port(scale, scale_baud),
            Steadiness(steady_g, settle_s),
            name,
            condition,
            note,
            find_occasion(opened, operator, bench, board_firmware, start and stated_start(start)),
            tuple(tag or ()),
            in_use(opened, instruments or ()),
        )
        tried = Tried(model, unit, _typed(trim, sensor) if trim else None, mounting)
        _live(opened, tried, Port(port, baud), beside, json)
        return
    if not files:
        raise InputError("innage replay", "neither a file nor --port", "a field log, or the port of a board")
    if json and out is None and len(files) == 1:
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
        given = _typed(trim, sensor) if trim else None
        replayer = LogReplayer(opened, model, unit=unit, trim=given, columns=columns, since_pour=since_pour)
    if replayer.is_untold:
        say_aside(
            f"model {model} is not told when liquid last came in; --since-pour names the column that says it"
        )
    if len(files) > 1:
        if not _several(replayer, model, files, out, json, dask):
            raise typer.Exit(SAID_NO)
        return
    replayed = replayer.replay(files[0])
    _write(out, replayed.csv())
    facts = replayed.facts()
    if json:
        emit({"model": model, "file": replayed.parsed.source.file, "out": str(out)} | facts)
    else:
        show_summary(facts, out)


def _several(
    replayer: LogReplayer, model: str, files: list[Path], out: Path | None, json: bool, dask: str | None
) -> bool:
    """One answer a file, and what they come to; whether all of them fit the model."""
    from dataset.errors import InputError
    from dataset.pools.opening import pool_at
    from innage.jobs.models.replaying import check_files
    from innage.outputs import check_place

    places = check_files(files, out)
    for place in places.values():
        check_place(place)
    answers: list[dict[str, Any]] = []
    with pool_at(dask) as pool, progress("replaying") as shown:
        for file, answer in replayer.replay_each(files, shown, pool):
            if isinstance(answer, InputError):
                answers.append({"file": str(file), "out": None, "refused": answer.said_by(option_of)})
                continue
            if file in places:
                _write(places[file], answer.csv())
            written = str(places[file]) if file in places else None
            answers.append({"file": str(file), "out": written, "refused": None} | answer.facts())
    whole = {"model": model, "out": None if out is None else str(out), "files": answers}
    if json:
        emit(whole | sums(answers))
    else:
        show_files(whole, sums(answers))
    return not any(answer["refused"] for answer in answers)


def _not_both(context: typer.Context, live: bool) -> None:
    """InputError for options of files beside a port, and the other way round."""
    from dataset.errors import InputError

    for parameter in context.command.params:
        called = str(parameter.name)
        if called in OF_BOTH or (called in OF_FILES) != live:
            continue
        if getattr(context.get_parameter_source(called), "name", "") == "COMMANDLINE":
            given = "a file" if called == "files" else parameter.opts[0]
            raise InputError(
                "innage replay",
                f"{given} {'beside' if live else 'without'} --port",
                "what belongs to a board" if live else "--port, the board that it is about",
            )


def _live(store: Store, tried: Tried, port: Port, beside: Beside, json: bool) -> None:
    """Run a trial to its end, and say what it came to."""
    from innage.jobs.trial.setup import begin_trial
    from innage.jobs.trial.trial import Front, run_trial
    from innage.terminal.stopping import asked_to_stop
    from innage.terminal.views.trial import print_json_line, show_trial_summary, trial_front

    ready = begin_trial(store, tried, port, beside)
    trial = ready.trial

    def tell(text: str) -> None:
        if json:
            say_aside(text)
        else:
            print(harmless(text), flush=True)

    def each(reading: Reading) -> None:
        if json:
            print_json_line({"frame": reading.facts()})

    from_stdin = ready.board.name == "standard input"
    try:
        with (
            asked_to_stop() as stopped,
            trial_front(trial.pads, tell, from_stdin, json) as (show, entry),
        ):
            run_trial(trial, ready.board, ready.scale, Front(entry, show, each, tell), stop=stopped)
    finally:
        if json:
            print_json_line({"summary": trial.facts()})
        else:
            show_trial_summary(trial.facts())


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


def _write(out: Path | None, pieces: Iterable[str]) -> None:
    from innage.outputs import write_file

    if out is None:
        sys.stdout.writelines(pieces)
    else:
        write_file(out, (piece.encode() for piece in pieces))
