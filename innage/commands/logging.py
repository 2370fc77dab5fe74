"""``innage log``: capture sessions from files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.records import LevelUnit, TimeUnit
from innage.options import (
    AIR_DENSITY_KG_M3,
    COLUMNS,
    DEFAULT_STORE,
    AirOption,
    BenchOption,
    ConditionOption,
    CountOption,
    DelimiterOption,
    DimensionOption,
    EncodingOption,
    FileStartOption,
    FirmwareOption,
    HeaderOption,
    InstrumentOption,
    JsonOption,
    LabelTemperatureOption,
    LevelHalfWidthOption,
    LevelUncertaintyOption,
    LevelUnitOption,
    LiquidOption,
    MappingOption,
    MountingOption,
    NoteOption,
    OperatorOption,
    PouredOption,
    ScaleOption,
    SensorOption,
    StoreOption,
    TagOption,
    TankOption,
    TareOption,
    TemperatureColumnOption,
    TemperatureOption,
    TimeOption,
    TimeUnitOption,
    UnitOption,
    UtcOffsetOption,
    open_store,
)
from innage.sections import SectionedCommand
from innage.terminal.output import progress, say_aside

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.admission.session_files import ParsedFile
    from dataset.store import Store
    from innage.jobs.batch.statements import Statements

RAMP = "Levels from a second stream on its own clock"


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("log", cls=SectionedCommand)(log)


def log(
    context: typer.Context,
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            help="Delimited text or Parquet, a session each; - is standard input. All, or none.",
            show_default=False,
        ),
    ] = None,
    batch: Annotated[
        Path | None,
        typer.Option(
            "--batch",
            help="Instead: CSV, a line a file; headings are these options, which hold where cells are empty.",
        ),
    ] = None,
    add_units: Annotated[
        bool, typer.Option("--add-units", help="With --batch: add units that are new.")
    ] = False,
    even_if_warned: Annotated[
        bool,
        typer.Option(
            "--even-if-warned", help="With --batch: log lines too that have a warning that freeze refuses."
        ),
    ] = False,
    tank: TankOption = None,
    sensor: SensorOption = None,
    mounting: MountingOption = None,
    unit: UnitOption = None,
    liquid: LiquidOption = None,
    condition: ConditionOption = None,
    conditions: Annotated[
        Path | None,
        typer.Option("--conditions", help="Conditions by stretch: CSV with from,to or from_ms,to_ms."),
    ] = None,
    note: NoteOption = "",
    operator: OperatorOption = None,
    bench: BenchOption = None,
    start: FileStartOption = None,
    utc_offset: UtcOffsetOption = None,
    board_firmware: FirmwareOption = None,
    tags: TagOption = None,
    instruments: InstrumentOption = None,
    count: CountOption = None,
    time: TimeOption = None,
    time_unit: TimeUnitOption = TimeUnit.MILLISECONDS,
    level: Annotated[
        str | None,
        typer.Option("--level", help="Known level; an empty cell has none.", rich_help_panel=COLUMNS),
    ] = None,
    mass: Annotated[
        str | None,
        typer.Option(
            "--mass",
            help="Mass on the scale, g; the profile makes it a level.",
            rich_help_panel=COLUMNS,
        ),
    ] = None,
    poured: Annotated[
        str | None,
        typer.Option(
            "--poured", help="Volume poured into the empty tank so far, mL.", rich_help_panel=COLUMNS
        ),
    ] = None,
    temperature: TemperatureColumnOption = None,
    delimiter: DelimiterOption = None,
    header: HeaderOption = True,
    encoding: EncodingOption = None,
    ignore: Annotated[
        list[str] | None,
        typer.Option(
            "--ignore",
            help="A column left out on purpose, though it looks like time, level or temperature; repeat.",
            rich_help_panel=COLUMNS,
        ),
    ] = None,
    mapping: MappingOption = None,
    save_mapping: Annotated[
        str | None,
        typer.Option("--save-mapping", help="Save them under this name.", rich_help_panel=COLUMNS),
    ] = None,
    level_unit: LevelUnitOption = LevelUnit.MILLIMETRES,
    level_u_mm: LevelUncertaintyOption = None,
    level_half_width_mm: LevelHalfWidthOption = None,
    tare_g: TareOption = 0.0,
    scale_half_width_g: ScaleOption = 0.0,
    poured_half_width_ml: PouredOption = 0.0,
    dimension_half_width_mm: DimensionOption = 0.0,
    label_temperature_c: LabelTemperatureOption = None,
    temperature_half_width_k: TemperatureOption = 0.0,
    air_density_kg_m3: AirOption = AIR_DENSITY_KG_M3,
    ramp: Annotated[
        Path | None, typer.Option("--ramp", help="Such as a scale's log.", rich_help_panel=RAMP)
    ] = None,
    ramp_time: Annotated[
        str | None, typer.Option("--ramp-time", help="Its column of time.", rich_help_panel=RAMP)
    ] = None,
    ramp_time_unit: Annotated[
        TimeUnit, typer.Option("--ramp-time-unit", help="Unit of that time.", rich_help_panel=RAMP)
    ] = TimeUnit.MILLISECONDS,
    ramp_level: Annotated[
        str | None,
        typer.Option("--ramp-level", help="Its column of level, in --level-unit.", rich_help_panel=RAMP),
    ] = None,
    ramp_mass: Annotated[
        str | None,
        typer.Option("--ramp-mass", help="Instead: its column of mass, g.", rich_help_panel=RAMP),
    ] = None,
    ramp_lag_ms: Annotated[
        float | None,
        typer.Option(
            "--ramp-lag-ms",
            help="How far its clock is ahead. Default: estimated.",
            rich_help_panel=RAMP,
        ),
    ] = None,
    ramp_lag_half_width_ms: Annotated[
        float,
        typer.Option(
            "--ramp-lag-half-width-ms",
            help="That lag is right within +- this.",
            show_default=False,
            rich_help_panel=RAMP,
        ),
    ] = 0.0,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Log capture sessions from files."""
    from dataclasses import fields

    from innage.jobs.batch.statements import Statements, settle
    from innage.jobs.sessions.logging_files import log_files
    from innage.terminal.views.logged import show_logged

    given = [field.name for field in fields(Statements) if _is_given(context, field.name)]
    values: dict[str, Any] = {name: context.params[name] for name in given}
    values |= {name: tuple(value) for name, value in values.items() if isinstance(value, list)}
    stated = Statements(**values)
    _check_what_to_log(files, batch, save_mapping)
    opened = open_store(store)
    if batch is not None:
        _log_batch(opened, batch, stated, json, add_units=add_units, even_if_warned=even_if_warned)
        return
    settled = settle(opened, stated, save_mapping)
    with progress("logging") as moved:
        logged = log_files(
            opened,
            files or [],
            settled.circumstances,
            settled.columns,
            settled.labelling,
            settled.beside,
            save_mapping=save_mapping is not None,
            progress=moved,
        )
    if ramp is not None and logged.lag is not None:
        say_aside(
            f"{ramp.name}: its clock is {logged.lag.ms / 1000:.3f} s ahead of the frames', standard "
            f"uncertainty {logged.lag.u_ms / 1000:.3f} s"
        )
    if not json:
        _name_unused(logged.files)
    show_logged(logged.sessions, logged.files, save_mapping, json)


def _check_what_to_log(files: Sequence[Path] | None, batch: Path | None, save_mapping: str | None) -> None:
    """Files or a batch of them; the columns of a batch may be other in each line."""
    from dataset.errors import InputError

    if bool(files) == (batch is not None):
        found = "files and --batch" if files else "nothing to log"
        raise InputError("innage log", found, "files, or a batch of them: innage log --batch FILE.csv")
    if batch is not None and save_mapping is not None:
        raise InputError("--save-mapping", "beside --batch", "one of them", "save it with a file of its own")


def _log_batch(store: Store, batch: Path, stated: Statements, json: bool, **how: bool) -> None:
    from innage.jobs.batch.sessions import log_batch
    from innage.terminal.views.logged import show_batch

    with progress("logging") as moved:
        logged = log_batch(store, batch, stated, **how, progress=moved)
    if not json:
        _name_unused([line.file for line in logged])
    show_batch(batch, logged, json)


def _is_given(context: typer.Context, parameter: str) -> bool:
    source = context.get_parameter_source(parameter)
    return source is not None and source.name == "COMMANDLINE"


def _name_unused(files: Sequence[ParsedFile]) -> None:
    """Say once which columns nothing was read from, and in how many of several files."""
    from collections import Counter

    times = Counter(name for file in files for name in file.unused)
    if times:
        many = [
            name if n == len(files) else f"{name} (in {n} of {len(files)} files)" for name, n in times.items()
        ]
        say_aside(f"columns not used: {', '.join(many)}")
