"""``innage log``: capture sessions from files, from a board, from the virtual rig."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.records import LevelUnit, TimeUnit
from innage.commands.live import begin_live, resume_live, steps_of
from innage.commands.rig import log_rig
from innage.completion import names_of
from innage.options import (
    AIR_DENSITY_KG_M3,
    DEFAULT_STORE,
    AirOption,
    DimensionOption,
    JsonOption,
    LabelTemperatureOption,
    PouredOption,
    ScaleOption,
    StoreOption,
    TareOption,
    TemperatureOption,
    delimiter_of,
    open_store,
)
from innage.terminal.output import emit, progress, say
from innage.terminal.sessions import say_warnings

if TYPE_CHECKING:
    from dataset.admission.session_files import ParsedFile
    from dataset.labels.marking import Labelling
    from dataset.records import ColumnMapping, Mounting, Session, Stretch, Tank
    from dataset.store import Store


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("log")(log)


def log(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            help="Delimited text or Parquet, a capture session each; - is standard input. All are "
            "logged, or none.",
            show_default=False,
        ),
    ] = None,
    liquid: Annotated[str | None, typer.Option(help="The liquid.", autocompletion=names_of("liquid"))] = None,
    unit: Annotated[str | None, typer.Option(help="The unit.", autocompletion=names_of("unit"))] = None,
    tank: Annotated[
        str | None, typer.Option(help="The tank, NAME or NAME@REVISION.", autocompletion=names_of("tank"))
    ] = None,
    sensor: Annotated[
        str | None, typer.Option(help="The sensor, NAME or NAME@REVISION.", autocompletion=names_of("sensor"))
    ] = None,
    mounting: Annotated[
        str | None,
        typer.Option(
            help="The mounting; not needed when one mounting joins tank and sensor.",
            autocompletion=names_of("mounting"),
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
    level: Annotated[
        str | None, typer.Option(help="Column of the known level; an empty cell is an unlabelled frame.")
    ] = None,
    level_unit: Annotated[
        LevelUnit, typer.Option("--level-unit", help="Unit of the level column; fraction is of the span.")
    ] = LevelUnit.MILLIMETRES,
    level_u_mm: Annotated[
        float | None, typer.Option("--level-u-mm", help="Standard uncertainty of the level, mm.")
    ] = None,
    level_half_width_mm: Annotated[
        float | None,
        typer.Option(
            "--level-half-width-mm",
            help="Instead: the level is right within +- this, mm (standard uncertainty: over root 3).",
        ),
    ] = None,
    mass: Annotated[
        str | None,
        typer.Option(help="Column of the mass on the scale, g; the tank's profile turns it into a level."),
    ] = None,
    poured: Annotated[
        str | None, typer.Option(help="Column of the volume poured into the empty tank so far, mL.")
    ] = None,
    tare_g: TareOption = 0.0,
    scale_half_width_g: ScaleOption = 0.0,
    poured_half_width_ml: PouredOption = 0.0,
    dimension_half_width_mm: DimensionOption = 0.0,
    label_temperature_c: LabelTemperatureOption = None,
    temperature_half_width_k: TemperatureOption = 0.0,
    air_density_kg_m3: AirOption = AIR_DENSITY_KG_M3,
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
    mapping: Annotated[
        str | None,
        typer.Option(
            help="A saved column mapping, instead of the options for columns.",
            autocompletion=names_of("mapping"),
        ),
    ] = None,
    save_mapping: Annotated[
        str | None, typer.Option("--save-mapping", help="Save these columns as a mapping.")
    ] = None,
    ramp: Annotated[
        Path | None,
        typer.Option(
            help="A second stream on its own clock, such as a scale's log; its levels label the frames."
        ),
    ] = None,
    ramp_time: Annotated[str | None, typer.Option("--ramp-time", help="Its column of time.")] = None,
    ramp_time_unit: Annotated[
        TimeUnit, typer.Option("--ramp-time-unit", help="Unit of that column.")
    ] = TimeUnit.MILLISECONDS,
    ramp_level: Annotated[
        str | None, typer.Option("--ramp-level", help="Its column of level, in --level-unit.")
    ] = None,
    ramp_mass: Annotated[
        str | None, typer.Option("--ramp-mass", help="Its column of mass, g, instead.")
    ] = None,
    ramp_lag_ms: Annotated[
        float | None,
        typer.Option(
            "--ramp-lag-ms",
            help="How far its clock is ahead of the frames' clock. Default: found from the counts.",
        ),
    ] = None,
    ramp_lag_half_width_ms: Annotated[
        float, typer.Option("--ramp-lag-half-width-ms", help="That lag is right within +- this.")
    ] = 0.0,
    condition: Annotated[
        str | None,
        typer.Option(
            help="Conditions of the whole session, such as surface=foam:20-45,wall=film. Axes: "
            "surface, wall, tilt, flow, ..."
        ),
    ] = None,
    conditions: Annotated[
        Path | None,
        typer.Option(
            help="CSV of conditions by stretch: columns from,to (frames) or from_ms,to_ms, and a "
            "column for each axis."
        ),
    ] = None,
    note: Annotated[str, typer.Option(help="Free text, kept with each session.")] = "",
    port: Annotated[
        str | None,
        typer.Option(
            help="Capture live instead: a serial port, an address such as socket://HOST:PORT, or - "
            "for a board's lines on standard input."
        ),
    ] = None,
    baud: Annotated[int, typer.Option(help="Speed of the serial port.")] = 115200,
    name: Annotated[str | None, typer.Option(help="Name of the live capture.")] = None,
    plan: Annotated[
        Path | None,
        typer.Option(help="Fill plan: CSV with columns level_mm or mass_g, and hold_s or hold_frames."),
    ] = None,
    levels: Annotated[str | None, typer.Option(help="Fill plan: levels in mm, such as 0,10,20.")] = None,
    hold: Annotated[
        float | None, typer.Option(help="Seconds to stay at each level of the plan. Default: 10.")
    ] = None,
    frames: Annotated[
        int | None, typer.Option(min=1, help="Seal the live capture as soon as it has so many frames.")
    ] = None,
    resume: Annotated[
        str | None,
        typer.Option(
            help="Go on with the open live capture of this name.", autocompletion=names_of("capture")
        ),
    ] = None,
    rig: Annotated[
        str | None,
        typer.Option(
            help="Log simulated sessions instead: a scenario of the virtual rig, built in (washer) "
            "or a TOML file."
        ),
    ] = None,
    recipe: Annotated[
        list[str] | None,
        typer.Option(help="With --rig: a session of this recipe; repeat for more. Default: steps."),
    ] = None,
    seed: Annotated[
        int | None, typer.Option(help="With --rig: another seed, other units and sessions. Default: 0.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Log capture sessions: from files, from a board, or from the rig."""
    from dataset.admission.rules import check_mapping
    from dataset.admission.session_files import read_file
    from dataset.errors import InputError
    from dataset.labels.marking import Labelling, check_labelling
    from dataset.records import ColumnMapping, NewSession

    opened = open_store(store)
    beside = {
        "--port": port,
        "--resume": resume,
        "--level": level,
        "--mapping": mapping,
        "--sensor": sensor,
        "--mounting": mounting,
        "--plan": plan,
    }
    _no_files_with_rig(rig, recipe, seed, files, beside)
    if rig is not None:
        log_rig(
            opened,
            rig,
            tank=tank,
            liquid=liquid,
            unit=unit,
            recipes=recipe or ["steps"],
            seed=seed or 0,
            json=json,
        )
        return
    if port is not None or resume is not None:
        _no_files(
            files,
            [
                o
                for o, value in (
                    ("--count", count),
                    ("--time", time),
                    ("--level", level),
                    ("--mapping", mapping),
                )
                if value is not None
            ],
        )
    if resume is not None:
        others = (
            ("--name", name),
            ("--plan", plan),
            ("--levels", levels),
            ("--unit", unit),
            ("--liquid", liquid),
        )
        resume_live(
            opened,
            resume,
            port,
            baud,
            [option for option, value in others if value is not None],
            frames,
            json,
        )
        return
    if liquid is None or unit is None:
        raise InputError("--liquid and --unit", "one is missing", "both")
    the_unit, the_liquid, the_mounting = (
        opened.unit(unit),
        opened.liquid(liquid),
        find_mounting(opened, mounting, tank, sensor),
    )
    its_sensor, its_tank = the_mounting.sensor, the_mounting.tank
    labelling = Labelling(
        the_liquid,
        tare_g=tare_g,
        scale_half_width_g=scale_half_width_g,
        poured_half_width_ml=poured_half_width_ml,
        dimension_half_width_mm=dimension_half_width_mm,
        temperature_c=label_temperature_c,
        temperature_half_width_k=temperature_half_width_k,
        air_density=air_density_kg_m3,
    )
    check_labelling(labelling)
    if port is not None:
        _no_stretches(conditions)
        steps = steps_of(plan, levels, hold, its_sensor, its_tank)
        u_mm = _level_u_mm(level_u_mm, level_half_width_mm)
        begin_live(
            opened,
            name,
            (the_unit, the_liquid, the_mounting),
            steps,
            u_mm,
            labelling,
            condition,
            note,
            port,
            baud,
            frames,
            json,
        )
        return
    if not files:
        raise InputError(
            "innage log", "no file and no --port", "delimited text to log, or the port of a board"
        )
    if mapping is not None:
        options = (
            count,
            time,
            level,
            level_u_mm,
            level_half_width_mm,
            mass,
            poured,
            temperature,
            delimiter,
            save_mapping,
        )
        given = any(x is not None for x in options) or not header
        columns = _saved(opened, mapping, given)
    else:
        counts = tuple(count) if count else its_sensor.channel_names
        u_mm = _level_u_mm(level_u_mm, level_half_width_mm)
        columns = ColumnMapping(
            save_mapping or "columns",
            counts,
            time,
            time_unit,
            level,
            level_unit,
            u_mm,
            temperature,
            delimiter_of(delimiter),
            header,
            mass,
            poured,
        )
        check_mapping(columns)
    parsed: list[ParsedFile] = []
    with progress("reading") as show:
        for path in files:
            parsed.append(read_file(path, columns, its_sensor, its_tank, labelling))
            show(path.name, len(parsed), len(files))
    if ramp is not None:
        stream = ColumnMapping(
            "ramp",
            (),
            ramp_time,
            ramp_time_unit,
            ramp_level,
            level_unit,
            _level_u_mm(level_u_mm, level_half_width_mm),
            mass=ramp_mass,
        )
        parsed = [_ramped(parsed, ramp, stream, its_tank, labelling, ramp_lag_ms, ramp_lag_half_width_ms)]
    stretches = _stretches(condition, conditions, parsed)
    new = [
        NewSession(the_unit, the_liquid, the_mounting, p.frames, p.marks, p.source, note, s)
        for p, s in zip(parsed, stretches, strict=True)
    ]
    with progress("logging") as show:
        sessions = opened.add_sessions(new, show, save_mapping=columns if save_mapping else None)
    _report(sessions, parsed, save_mapping, json)


def _report(
    sessions: Sequence[Session], parsed: Sequence[ParsedFile], save_mapping: str | None, json: bool
) -> None:
    if json:
        emit([_facts(s, p) for s, p in zip(sessions, parsed, strict=True)])
        return
    for session, file in zip(sessions, parsed, strict=True):
        say(_sentence(session, file))
        say_warnings(session)
    if save_mapping:
        say(f"mapping {save_mapping} saved")
    if len(sessions) > 1:
        say(f"{len(sessions)} sessions logged, {sum(s.frames for s in sessions)} frames")


def _no_files_with_rig(
    rig: str | None,
    recipe: list[str] | None,
    seed: int | None,
    files: list[Path] | None,
    beside: Mapping[str, object],
) -> None:
    """InputError for options that do not go together."""
    from dataset.errors import InputError

    if rig is None and (recipe or seed is not None):
        raise InputError(
            "--recipe" if recipe else "--seed", "no --rig with it", "--rig SCENARIO, which it is for"
        )
    given = [*map(str, files or []), *(option for option, value in beside.items() if value is not None)]
    if rig is not None and given:
        raise InputError(
            "--rig",
            f"{given[0]} beside it",
            "--tank, --liquid, --unit, --recipe and --seed",
            "the scenario says the rest",
        )


def _no_stretches(conditions: Path | None) -> None:
    from dataset.errors import InputError

    if conditions is not None:
        raise InputError(
            "--conditions with --port", str(conditions), "--condition, which holds for the whole capture"
        )


def _no_files(files: list[Path] | None, options: list[str]) -> None:
    from dataset.errors import InputError

    given = [*map(str, files or []), *options]
    if given:
        raise InputError(
            "--port",
            f"{given[0]} beside it",
            "a live capture, or files with their columns",
            "the board's lines have their own form",
        )


def _ramped(
    parsed: Sequence[ParsedFile],
    path: Path,
    stream: ColumnMapping,
    tank: Tank,
    labelling: Labelling,
    lag_ms: float | None,
    lag_half_width_ms: float,
) -> ParsedFile:
    """The one file with marks from a stream on its own clock; says which lag was found."""
    from dataset.admission.session_files import read_stream
    from dataset.errors import InputError
    from dataset.labels.ramps import Lag, find_lag, ramp_marks
    from dataset.labels.uncertainty import rectangular

    if len(parsed) > 1 or parsed[0].marks:
        found = (
            f"a stream for {len(parsed)} sessions"
            if len(parsed) > 1
            else "a stream, and labels in the file as well"
        )
        raise InputError("--ramp", found, "one session without labels of its own")
    levels = read_stream(path, stream, tank, labelling)
    lag = (
        find_lag(levels, parsed[0].frames) if lag_ms is None else Lag(lag_ms, rectangular(lag_half_width_ms))
    )
    if lag_ms is None:
        print(
            f"{path.name}: its clock is {lag.ms / 1000:.3f} s ahead of the frames', standard "
            f"uncertainty {lag.u_ms / 1000:.3f} s",
            file=sys.stderr,
        )
    return replace(parsed[0], marks=ramp_marks(levels, parsed[0].frames, lag))


def _level_u_mm(u_mm: float | None, half_width_mm: float | None) -> float | None:
    """The standard uncertainty of a level column, given as it is or as a half-width."""
    from dataset.errors import InputError
    from dataset.labels.uncertainty import rectangular

    if half_width_mm is None:
        return u_mm
    if u_mm is not None:
        raise InputError("--level-u-mm and --level-half-width-mm", "both", "one of them")
    return rectangular(half_width_mm)


def _stretches(
    condition: str | None, path: Path | None, parsed: Sequence[ParsedFile]
) -> list[tuple[Stretch, ...]]:
    """The conditions of each file's frames."""
    from dataset.errors import InputError
    from dataset.labels.conditions import read_conditions, read_stretches
    from dataset.records import Stretch

    whole = None if condition is None else read_conditions("--condition", condition)
    if path is None:
        return [() if whole is None else (Stretch(0, len(p.frames), whole),) for p in parsed]
    if len(parsed) > 1:
        raise InputError(
            "--conditions",
            f"one file of stretches for {len(parsed)} sessions",
            "one session",
            "log the files one by one, each with its own",
        )
    return [read_stretches(path, parsed[0].frames.t_ms, whole)]


def find_mounting(store: Store, name: str | None, tank: str | None, sensor: str | None) -> Mounting:
    """The mounting that is named, or the only one that joins tank and sensor."""
    from dataset.errors import InputError, NotFoundError

    its_tank, its_sensor = store.tank(tank) if tank else None, store.sensor(sensor) if sensor else None
    if name is not None:
        mounting = store.mounting(name)
        for what, given, its in (("tank", its_tank, mounting.tank), ("sensor", its_sensor, mounting.sensor)):
            if given is not None and given != its:
                found = given.ref
                raise InputError(
                    f"--{what}",
                    found,
                    f"{its.ref}, which mounting {name} is of",
                    "leave the option out, or name another mounting",
                )
        return mounting
    if its_tank is None or its_sensor is None:
        raise InputError("--tank and --sensor", "one is missing", "both, or --mounting")
    fitting = [m for m in store.mountings() if m.tank == its_tank and m.sensor == its_sensor]
    joined = f"sensor {its_sensor.ref} on tank {its_tank.ref}"
    if not fitting:
        others = ", ".join(
            f"{m.name} (sensor {m.sensor.ref} on tank {m.tank.ref})" for m in store.mountings()
        )
        hint = f"there are: {others}" if others else "add it with 'innage mounting add'"
        raise NotFoundError("mounting", f"none for {joined}", "", hint)
    if len(fitting) > 1:
        raise InputError(
            "mounting",
            f"{len(fitting)} of {joined}: {', '.join(m.name for m in fitting)}",
            "one",
            "choose it with --mounting",
        )
    return fitting[0]


def _saved(store: Store, name: str, also_given: bool) -> ColumnMapping:
    from dataset.errors import InputError

    if also_given:
        raise InputError("--mapping", f"{name}, and options for columns beside it", "one or the other")
    return store.mapping(name)


def _facts(session: Session, file: ParsedFile) -> dict[str, object]:
    """What was logged, ready for JSON."""
    from dataset.files.sheets import DELIMITERS as NAMES

    return {
        "id": session.id,
        "sha256": session.sha256,
        "file": session.source.file,
        "frames": session.frames,
        "labelled": file.labelled,
        "levels": len({m.level_mm for m in session.marks}),
        "marks": len(session.marks),
        "gaps": file.gaps,
        "median_period_ms": file.median_period_ms,
        "delimiter": NAMES.get(file.delimiter, file.delimiter),
        "warnings": [asdict(w) for w in session.warnings],
    }


def _sentence(session: Session, file: ParsedFile) -> str:
    facts = _facts(session, file)
    text = (
        f"session {session.id} from {facts['file']} ({facts['delimiter']}): {facts['frames']} "
        f"frames, {facts['labelled']} labelled"
    )
    if session.marks:
        levels = [m.level_mm for m in session.marks]
        # the range is what shows a wrong unit
        return f"{text} at {facts['levels']} levels from {min(levels):g} to {max(levels):g} mm"
    return f"{text}; levels come from a column (--level, --mass or --poured) or afterwards from 'innage mark'"
