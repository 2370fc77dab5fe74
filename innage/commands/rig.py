"""``innage rig``: the virtual rig, as a board that plays captures and as a source of sessions."""

from __future__ import annotations

import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from dataset.words import counted
from innage.options import (
    DEFAULT_STORE,
    DaskOption,
    JsonOption,
    RigLiquidOption,
    RigSeedOption,
    RigStartOption,
    RigTankOption,
    RigUnitOption,
    ScenarioArgument,
    StoreOption,
    levels_of,
    open_store,
)
from innage.terminal.output import progress, say
from innage.terminal.streams import OutputLostError

app = typer.Typer(
    help="The virtual rig: everything made from it is simulated.", no_args_is_help=True, rich_markup_mode=None
)


@app.command()
def show(scenario: ScenarioArgument, json: JsonOption = False) -> None:
    """Show what a scenario has: tanks, liquids and recipes."""
    from dataset.rig.scenario import load_scenario
    from innage.terminal.views.rig import show_scenario

    show_scenario(load_scenario(scenario), json)


@app.command()
def log(
    scenario: ScenarioArgument,
    tank: RigTankOption,
    liquid: RigLiquidOption,
    unit: RigUnitOption,
    recipe: Annotated[
        list[str] | None,
        typer.Option("--recipe", help="A session of this recipe; repeat for more. Default: steps."),
    ] = None,
    seed: RigSeedOption = 0,
    start: RigStartOption = None,
    dask: DaskOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Log simulated sessions, one for each recipe. What the store lacks of tank, sensor, mounting, liquid and
    unit is added.
    """
    from dataset.admission.starts import stated_start
    from dataset.pools.opening import pool_at
    from dataset.rig.scenario import load_scenario
    from innage.jobs.rig.rig_sessions import RigSetup, log_rig
    from innage.terminal.views.rig import show_rig_sessions

    setup = RigSetup(tank, liquid, unit, seed, start and stated_start(start))
    loaded = load_scenario(scenario)
    with pool_at(dask) as pool, progress("rig") as moved:
        sessions = log_rig(open_store(store), loaded, setup, recipe or ["steps"], moved, pool)
    show_rig_sessions(sessions, json)


@app.command()
def fill(
    scenario: ScenarioArgument,
    tank: RigTankOption,
    units: Annotated[
        int | None, typer.Option("--units", min=1, help="How many; default: as many as the scenario has.")
    ] = None,
    seed: RigSeedOption = 0,
    start: RigStartOption = None,
    dask: DaskOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Capture a scenario's whole plan, all marked as simulated. Every unit with its trims, and a session for
    each liquid and recipe.
    """
    from dataset.admission.starts import stated_start
    from dataset.pools.opening import pool_at
    from dataset.rig.scenario import load_scenario
    from innage.jobs.rig.rig_sessions import fill_from_rig
    from innage.terminal.views.rig import show_filled

    loaded, begun = load_scenario(scenario), start and stated_start(start)
    with open_store(store) as opened, pool_at(dask) as pool, progress("rig") as moved:
        filled = fill_from_rig(opened, loaded, tank, seed, units, moved, begun, pool)
    show_filled(loaded, filled.mounting, filled.sessions, json)


@app.command()
def play(
    scenario: ScenarioArgument,
    tank: RigTankOption,
    liquid: RigLiquidOption = "water",
    unit: RigUnitOption = "0",
    recipe: Annotated[str, typer.Option("--recipe", help="What happens in each capture.")] = "steps",
    levels_mm: Annotated[
        str | None,
        typer.Option("--levels-mm", help="Instead of levels drawn by the recipe: these, such as 0,40,80."),
    ] = None,
    hold_s: Annotated[
        float, typer.Option("--hold-s", help="Seconds at each of --levels-mm, by the board's clock.")
    ] = 10.0,
    seed: RigSeedOption = 0,
    times: Annotated[
        int | None,
        typer.Option("--times", min=1, help="End after so many captures. Default: go on until interrupted."),
    ] = None,
    speed: Annotated[
        float, typer.Option("--speed", help="So many times faster than the board's clock.")
    ] = 1.0,
    stdout: Annotated[
        bool,
        typer.Option("--stdout", help="Write the lines to standard output, for 'innage capture --port -'."),
    ] = False,
) -> None:
    """Play a board on a port of its own. It says which, and begins whenever something opens it."""
    from dataset.errors import InputError
    from dataset.rig.peer import play as play_lines
    from dataset.rig.scenario import load_scenario
    from innage.jobs.rig.pseudo_port import pseudo_port
    from innage.jobs.rig.rig_sessions import Held, RigSetup, played_board

    if not 0 < speed <= 10_000:
        raise InputError("--speed", f"{speed:g}", "above 0, at most 10000")
    held = None if levels_mm is None else Held(levels_of(levels_mm), hold_s)
    setup = RigSetup(tank, liquid, unit, seed)
    with progress("rig") as moved:
        board = played_board(load_scenario(scenario), setup, recipe, held, times, moved)
    try:
        if stdout:
            play_lines(board.lines, _to_stdout, speed=speed)
            return
        with pseudo_port() as port:
            say(f"{port.name}: simulated, {board.remark}; Ctrl-C ends it")
            sys.stdout.flush()
            sent = play_lines(board.lines, port.write, speed=speed, ready=port.ready)
        say(f"{counted(sent, 'frame')} played")
    except (KeyboardInterrupt, BrokenPipeError):
        raise typer.Exit(0) from None
    except OutputLostError as lost:
        if not lost.reader_gone:
            raise
        raise typer.Exit(0) from None  # a board plays for as long as somebody listens


@app.command()
def board(
    bundle: Annotated[Path, typer.Argument(help="The folder of an exported bundle, or its zip file.")],
    core: Annotated[
        str | None, typer.Option("--core", help="The core to emulate. Default: that of the bundle's budget.")
    ] = None,
) -> None:
    """Play a board that runs the model of a bundle. It says its port, which 'innage verify --port' takes, and
    goes on until interrupted.
    """
    from innage.jobs.rig.emulated_boards import emulated_board

    played = emulated_board(bundle, core)
    with suppress(KeyboardInterrupt), played.port as name:
        sizes = f"{counted(played.flash, 'byte')} of flash, {played.ram} of RAM"
        say(f"{name}: emulated {played.core}, {sizes}; Ctrl-C ends it")
        sys.stdout.flush()
        threading.Event().wait()


def _to_stdout(data: bytes) -> None:
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()
