"""``innage log``: capture sessions from files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.records import LevelUnit, TimeUnit
from innage.options import (
    AIR_DENSITY_KG_M3,
    COLUMNS,
    DEFAULT_STORE,
    AirOption,
    ConditionOption,
    CountOption,
    DelimiterOption,
    DimensionOption,
    EncodingOption,
    HeaderOption,
    JsonOption,
    LabelTemperatureOption,
    LevelHalfWidthOption,
    LevelUncertaintyOption,
    LevelUnitOption,
    LiquidOption,
    MappingOption,
    MountingOption,
    NoteOption,
    PouredOption,
    ScaleOption,
    SensorOption,
    StoreOption,
    TankOption,
    TareOption,
    TemperatureColumnOption,
    TemperatureOption,
    TimeOption,
    TimeUnitOption,
    UnitOption,
    delimiter_of,
    level_u_of,
    open_store,
    option_of,
)
from innage.sections import SectionedCommand
from innage.terminal.output import progress, say_aside

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.admission.session_files import ParsedFile
    from dataset.records import ColumnMapping
    from dataset.store import Store

RAMP = "Levels from a second stream on its own clock"


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("log", cls=SectionedCommand)(log)


def log(
    context: typer.Context,
    files: Annotated[
        list[Path],
        typer.Argument(
            help="Delimited text or Parquet, a session each; - is standard input. All, or none.",
            show_default=False,
        ),
    ],
    tank: TankOption = None,
    sensor: SensorOption = None,
    mounting: MountingOption = None,
    unit: UnitOption = None,
    liquid: LiquidOption = None,
    condition: ConditionOption = None,
    conditions: Annotated[
        Path | None,
        typer.Option("--conditions", help="By stretch: CSV with from,to or from_ms,to_ms."),
    ] = None,
    note: NoteOption = "",
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
            help="How far its clock is ahead. Default: as found.",
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
    from dataset.labels.marking import Labelling
    from dataset.records import ColumnMapping
    from innage.jobs.circumstances import find_circumstances
    from innage.jobs.logging_files import Beside, Ramp, log_files
    from innage.terminal.views.logged import show_logged

    opened = open_store(store)
    circumstances = find_circumstances(
        opened,
        unit=unit,
        liquid=liquid,
        mounting=mounting,
        tank=tank,
        sensor=sensor,
        condition=condition,
        note=note,
    )
    u_mm = level_u_of(level_u_mm, level_half_width_mm)
    given = ColumnMapping(
        name=save_mapping or "columns",
        counts=tuple(count or ()),
        time=time,
        time_unit=time_unit,
        level=level,
        level_unit=level_unit,
        level_u_mm=u_mm,
        temperature=temperature,
        delimiter=delimiter_of(delimiter),
        header=header,
        mass=mass,
        poured=poured,
        encoding=encoding,
        ignore=tuple(ignore or ()),
    )
    labelling = Labelling(
        circumstances.liquid,
        tare_g=tare_g,
        scale_half_width_g=scale_half_width_g,
        poured_half_width_ml=poured_half_width_ml,
        dimension_half_width_mm=dimension_half_width_mm,
        temperature_c=label_temperature_c,
        temperature_half_width_k=temperature_half_width_k,
        air_density=air_density_kg_m3,
    )
    stream = None
    if ramp is not None:
        columns = ColumnMapping(
            name="ramp",
            counts=(),
            time=ramp_time,
            time_unit=ramp_time_unit,
            level=ramp_level,
            level_unit=level_unit,
            level_u_mm=u_mm,
            mass=ramp_mass,
        )
        stream = Ramp(ramp, columns, ramp_lag_ms, ramp_lag_half_width_ms)
    with progress("logging") as moved:
        logged = log_files(
            opened,
            files,
            circumstances,
            _columns(opened, mapping, given, circumstances.mounting.sensor.channel_names, _given(context)),
            labelling,
            Beside(stream, conditions),
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


_VALUES = {  # of a mapping, which options may stand over: their parameters by its fields
    "time_unit": ("time_unit",),
    "level_unit": ("level_unit",),
    "level_u_mm": ("level_u_mm", "level_half_width_mm"),
    "delimiter": ("delimiter",),
    "header": ("header",),
    "encoding": ("encoding",),
    "ignore": ("ignore",),
}


def _given(context: typer.Context) -> list[str]:
    """The fields of a mapping that options of this call give; units may be meant for the second stream."""
    beside = ("level_unit", "level_u_mm") if context.params.get("ramp") is not None else ()
    return [
        field
        for field, names in _VALUES.items()
        if field not in beside and any(_is_given(context, name) for name in names)
    ]


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


def _columns(
    store: Store,
    mapping: str | None,
    given: ColumnMapping,
    channels: tuple[str, ...],
    over: Sequence[str],
) -> ColumnMapping:
    """The saved mapping with the values that stand ``over`` its own, or the columns that are given: where
    these name no counts, they are called as the channels are.
    """
    from dataclasses import replace

    from dataset.errors import InputError

    if mapping is None:
        return given if given.counts else replace(given, counts=channels)
    named = [
        field
        for field in ("counts", "time", "level", "mass", "poured", "temperature")
        if getattr(given, field)
    ]
    if named:
        clash = ", ".join(f"{option_of(f'ColumnMapping.{field}')}" for field in named)
        raise InputError(
            "--mapping", f"{mapping}, which names the columns, and {clash} beside it", "one or the other"
        )
    saved = store.mapping(mapping)
    return replace(saved, **{field: getattr(given, field) for field in over})
