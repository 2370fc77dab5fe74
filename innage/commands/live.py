"""``innage capture``: live captures from a board, and those that are still open."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.errors import InnageError, InputError
from dataset.words import counted
from innage.completion import names_of
from innage.options import (
    AIR_DENSITY_KG_M3,
    DEFAULT_STORE,
    AirOption,
    BenchOption,
    ConditionOption,
    DimensionOption,
    FirmwareOption,
    InstrumentOption,
    JsonOption,
    LabelTemperatureOption,
    LevelHalfWidthOption,
    LevelUncertaintyOption,
    LiquidOption,
    MountingOption,
    NoteOption,
    OperatorOption,
    ScaleOption,
    SensorOption,
    StartOption,
    StoreOption,
    TagOption,
    TankOption,
    TareOption,
    TemperatureOption,
    UnitOption,
    levels_of,
    open_store,
)
from innage.scale_options import labelling_by
from innage.sections import SectionedGroup
from innage.terminal.output import harmless, say, say_aside
from innage.terminal.views.captures import capture_facts, kept_text, show_captures, show_sealed

if TYPE_CHECKING:
    from dataset.live.stated import View
    from innage.jobs.sessions.capturing import LiveCapture

app = typer.Typer(
    cls=SectionedGroup, no_args_is_help=True, subcommand_metavar="[COMMAND]", rich_markup_mode=None
)

PLAN = "The fill plan"
AT_RESUMING = ("resume", "port", "baud", "frames", "json", "store")
NameArgument = Annotated[str, typer.Argument(autocompletion=names_of("capture"))]


@app.callback(invoke_without_command=True)
def capture(
    context: typer.Context,
    port: Annotated[
        str | None,
        typer.Option(
            "--port", help="A serial port, an address such as socket://HOST:PORT, or - for standard input."
        ),
    ] = None,
    baud: Annotated[int, typer.Option("--baud", help="Speed of the serial port.")] = 115200,
    name: Annotated[str | None, typer.Option("--name", help="Name of the capture.")] = None,
    resume: Annotated[
        str | None,
        typer.Option(
            "--resume", help="Go on with the open capture of this name.", autocompletion=names_of("capture")
        ),
    ] = None,
    frames: Annotated[
        int | None, typer.Option("--frames", min=1, help="Seal it as soon as it has so many frames.")
    ] = None,
    tank: TankOption = None,
    sensor: SensorOption = None,
    mounting: MountingOption = None,
    unit: UnitOption = None,
    liquid: LiquidOption = None,
    condition: ConditionOption = None,
    note: NoteOption = "",
    operator: OperatorOption = None,
    bench: BenchOption = None,
    start: StartOption = None,
    board_firmware: FirmwareOption = None,
    tag: TagOption = None,
    instruments: InstrumentOption = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            "--plan", help="CSV: level_mm or mass_g, and hold_s or hold_frames.", rich_help_panel=PLAN
        ),
    ] = None,
    levels_mm: Annotated[
        str | None,
        typer.Option("--levels-mm", help="Instead: levels, such as 0,10,20.", rich_help_panel=PLAN),
    ] = None,
    hold_s: Annotated[
        float | None,
        typer.Option(
            "--hold-s", help="Seconds at each level that doesn't say. Default: 10.", rich_help_panel=PLAN
        ),
    ] = None,
    level_u_mm: LevelUncertaintyOption = None,
    level_half_width_mm: LevelHalfWidthOption = None,
    tare_g: TareOption = 0.0,
    scale_half_width_g: ScaleOption = 0.0,
    dimension_half_width_mm: DimensionOption = 0.0,
    label_temperature_c: LabelTemperatureOption = None,
    temperature_half_width_k: TemperatureOption = 0.0,
    air_density_kg_m3: AirOption = AIR_DENSITY_KG_M3,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Capture live from a board; resume, seal or discard a capture.

    --port and --name begin a capture; --port and --resume go on with one that is open.
    """
    from dataset.admission.starts import stated_start
    from innage.jobs.batch.statements import level_u_of
    from innage.jobs.instruments import in_use
    from innage.jobs.sessions.capturing import FillPlan, Port, ReadOff, begin_capture, resume_capture
    from innage.jobs.sessions.circumstances import find_circumstances, find_occasion

    given = _given(context)
    if context.invoked_subcommand is not None:
        _stand_after(context.invoked_subcommand, given)
        return
    if port is None:
        raise InputError("--port", "nothing", "the port of the board, or - for its lines on standard input")
    source = Port(port, baud)
    if resume is not None:
        _only_at_resuming(resume, given)
        _run(resume_capture(open_store(store), resume, source), frames, json)
        return
    if name is None:
        raise InputError("--name", "nothing", "a name, to find the capture again should it be interrupted")
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
    circumstances = replace(
        circumstances,
        occasion=find_occasion(opened, operator, bench, board_firmware, start and stated_start(start)),
        tags=tuple(tag or ()),
    )
    labelling = labelling_by(
        tare_g=tare_g,
        scale_half_width_g=scale_half_width_g,
        dimension_half_width_mm=dimension_half_width_mm,
        label_temperature_c=label_temperature_c,
        temperature_half_width_k=temperature_half_width_k,
        air_density_kg_m3=air_density_kg_m3,
    )(circumstances.liquid)
    tools = in_use(opened, instruments or ())
    read_off = ReadOff(level_u_of(level_u_mm, level_half_width_mm), labelling, tools)
    levels = None if levels_mm is None else levels_of(levels_mm)
    begun = begin_capture(opened, name, circumstances, source, FillPlan(plan, levels, hold_s), read_off)
    _run(begun, frames, json)


def _given(context: typer.Context) -> dict[str, str]:
    """The options that stand on the command line, by their parameters' names."""
    return {
        str(parameter.name): parameter.opts[0]
        for parameter in context.command.params
        if getattr(context.get_parameter_source(str(parameter.name)), "name", "") == "COMMANDLINE"
    }


def _stand_after(command: str, given: dict[str, str]) -> None:
    """InputError for options before a command, which would be lost to it."""
    if given:
        option = next(iter(given.values()))
        raise InputError(
            f"innage capture {command}",
            f"{option} before '{command}'",
            f"options after it: innage capture {command} ...",
        )


def _only_at_resuming(name: str, given: dict[str, str]) -> None:
    """InputError for what a capture that is gone on with was begun with."""
    other = next((option for parameter, option in given.items() if parameter not in AT_RESUMING), None)
    if other is not None:
        raise InputError(
            f"--resume {name}",
            f"{other} beside it",
            "only --port and --baud, --frames and --json",
            "unit, liquid, mounting and plan are those that it was begun with",
        )


def _run(live: LiveCapture, frames: int | None, json: bool) -> None:
    """Run a capture; seal it when it came to its end, keep it open when the operator stopped it."""
    from innage.jobs.sessions.capturing import run_capture
    from innage.terminal.stopping import asked_to_stop
    from innage.terminal.views.capture import operator

    def tell(text: str) -> None:
        if json:
            say_aside(text)
        else:
            print(harmless(text), flush=True)

    from_stdin = live.source.name == "standard input"
    with (
        asked_to_stop() as stopped,
        operator(live.channels, tell, from_stdin) as (view, entries),
    ):

        def show(now: View) -> None:
            view.show(now, entries.typed)

        ended = run_capture(live, entries, show, frames=frames, stop=stopped)
    if not ended:
        tell(kept_text(live.name, live.capture))
        return
    try:
        sealed = live.capture.seal()
    except InnageError:
        tell(kept_text(live.name, live.capture))
        raise
    show_sealed(sealed, json)


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the captures that are open. They were interrupted, or still run in another process."""
    show_captures(open_store(store).open_captures(), json)


@app.command()
def seal(name: NameArgument, json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """Make an open capture a session, with the marks it has."""
    from innage.jobs.sessions.capturing import seal_capture

    show_sealed(seal_capture(open_store(store), name), json)


@app.command()
def discard(
    name: NameArgument,
    yes: Annotated[bool, typer.Option("--yes", help="Yes, delete its frames.")] = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Delete an open capture and everything in it."""
    opened = open_store(store)
    facts = capture_facts(opened.open_capture(name))
    if not yes:
        raise InputError(
            f"capture {name}",
            f"holds {counted(facts['frames'], 'frame')} and "
            f"{counted(facts['marks'], 'mark')} that would be gone",
            "--yes, if that is meant",
        )
    opened.discard_capture(name)
    say(f"capture {name} is dropped with {counted(facts['frames'], 'frame')}")
