"""``innage capture boards``: several boards at once, with one scale."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from innage.exit_codes import SAID_NO
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
    LiquidOption,
    MountingOption,
    NoteOption,
    OperatorOption,
    ScaleOption,
    SensorOption,
    StoreOption,
    TagOption,
    TankOption,
    TareOption,
    TemperatureOption,
    open_store,
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
from innage.terminal.output import emit, harmless, say_aside


def register(app: typer.Typer) -> None:
    """Add the command to the group."""
    app.command("boards", cls=SectionedCommand)(boards)


def boards(
    file: Annotated[
        Path,
        typer.Argument(
            help="CSV, a line a board: name, port, unit, and any of these options, which hold where cells "
            "are empty."
        ),
    ],
    frames: Annotated[
        int | None, typer.Option("--frames", min=1, help="Seal each as soon as it has so many frames.")
    ] = None,
    unattended: Annotated[
        bool,
        typer.Option(
            "--unattended",
            help="Ask nothing: begin captures, resume open ones, leave sealed ones, wait for missing "
            "ports. The same call goes on after a power cut.",
        ),
    ] = False,
    tank: TankOption = None,
    sensor: SensorOption = None,
    mounting: MountingOption = None,
    liquid: LiquidOption = None,
    condition: ConditionOption = None,
    note: NoteOption = "",
    operator: OperatorOption = None,
    bench: BenchOption = None,
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
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Capture from several boards at once, the levels from one scale. Exit 1 where a board's capture had to
    end.
    """
    from dataset.live.scale import Steadiness
    from innage.jobs.batch.boards import BoardLine, OneScale, capture_boards
    from innage.jobs.sessions.capturing import Port
    from innage.jobs.sessions.session_facts import session_facts
    from innage.terminal.stopping import asked_to_stop
    from innage.terminal.views.captures import kept_text

    def tell(text: str) -> None:
        if json:
            say_aside(text)
        else:
            print(harmless(text), flush=True)

    alike = BoardLine(
        tank=tank,
        sensor=sensor,
        mounting=mounting,
        liquid=liquid,
        condition=condition,
        note=note or None,
        operator=operator,
        bench=bench,
        board_firmware=board_firmware,
        tags=tuple(tag or ()),
        instruments=tuple(instruments or ()),
    )
    labelling = labelling_by(
        tare_g=tare_g,
        scale_half_width_g=scale_half_width_g,
        dimension_half_width_mm=dimension_half_width_mm,
        label_temperature_c=label_temperature_c,
        temperature_half_width_k=temperature_half_width_k,
        air_density_kg_m3=air_density_kg_m3,
    )
    weighed = (
        None
        if scale is None
        else OneScale(Port(scale, scale_baud), labelling, Steadiness(steady_g, settle_s))
    )
    with asked_to_stop() as stopped:
        captured = capture_boards(
            open_store(store),
            file,
            alike,
            weighed,
            tell,
            frames=frames,
            unattended=unattended,
            stop=stopped,
        )
    for board in captured:
        if board.session is None:
            tell(kept_text(board.name, board.capture))
    if json:
        emit([session_facts(board.session) for board in captured if board.session is not None])
    if any(board.fault is not None for board in captured):
        raise typer.Exit(SAID_NO)
