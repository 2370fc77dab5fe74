"""``innage rig`` and ``innage log --rig``: the virtual rig, as a board that plays captures and as a source of
sessions.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from itertools import count
from typing import TYPE_CHECKING, Annotated, Any

import typer

from innage.jobs.session_facts import labelled, session_facts
from innage.options import JsonOption
from innage.terminal.output import emit, progress, say, table
from innage.terminal.sessions import say_warnings

if TYPE_CHECKING:
    from dataset.records import NewSession, Session
    from dataset.rig.bench import Bench, RigUnit
    from dataset.rig.scenario import Recipe, Scenario
    from dataset.store import Store

app = typer.Typer(
    help="The virtual rig: everything made from it is simulated.", no_args_is_help=True, rich_markup_mode=None
)

SETTLED_S = 0.3  # who opens a port sets it up first; what was sent before is lost to them
ScenarioArgument = Annotated[
    str, typer.Argument(help="A built-in scenario (washer), or a TOML file.", show_default=False)
]


@app.command()
def show(scenario: ScenarioArgument, json: JsonOption = False) -> None:
    """Show what a scenario has: tanks, liquids and recipes."""
    from dataset.rig.scenario import load_scenario

    its = load_scenario(scenario)
    tanks = [
        (f"{t.name}@{its.revision(k)}", t.span_mm, t.pads, t.units, t.liquids) for k, t in enumerate(its.tank)
    ]
    recipes = [(r.name, r.path, r.frames) for r in its.recipe]
    tank_columns, recipe_columns = (
        ("tank", "span_mm", "pads", "units", "liquids"),
        ("recipe", "path", "frames"),
    )
    if json:
        listed = {
            "tanks": [dict(zip(tank_columns, t, strict=True)) for t in tanks],
            "recipes": [dict(zip(recipe_columns, r, strict=True)) for r in recipes],
        }
        emit({"scenario": its.name, "note": its.note, "simulated": True, **listed})
        return
    say(f"scenario {its.name}: {its.note}")
    table("tanks", tank_columns, [(*t[:-1], ", ".join(t[-1])) for t in tanks])
    table("recipes", recipe_columns, recipes)


@app.command()
def play(
    scenario: ScenarioArgument,
    tank: Annotated[
        str, typer.Option(help="A tank of the scenario, NAME or NAME@REVISION.", show_default=False)
    ],
    liquid: Annotated[str, typer.Option(help="A liquid of that tank.")] = "water",
    unit: Annotated[str, typer.Option(help="A unit of that tank, by number or name.")] = "0",
    recipe: Annotated[str, typer.Option(help="What happens in each capture.")] = "steps",
    levels_mm: Annotated[
        str | None,
        typer.Option("--levels-mm", help="Instead of levels drawn by the recipe: these, such as 0,40,80."),
    ] = None,
    hold_s: Annotated[
        float, typer.Option("--hold-s", help="Seconds at each of --levels-mm, by the board's clock.")
    ] = 10.0,
    seed: Annotated[int, typer.Option(help="Another seed, other units and captures.")] = 0,
    times: Annotated[
        int | None, typer.Option(min=1, help="End after so many captures. Default: go on until interrupted.")
    ] = None,
    speed: Annotated[float, typer.Option(help="So many times faster than the board's clock.")] = 1.0,
    stdout: Annotated[
        bool, typer.Option("--stdout", help="Write the lines to standard output, for 'innage log --port -'.")
    ] = False,
) -> None:
    """Play a board on a port of its own. It says which, and begins whenever something opens it."""
    from dataset.errors import InputError
    from dataset.rig.peer import captures, timed_lines
    from dataset.rig.peer import play as play_lines
    from dataset.rig.scenario import load_scenario

    if not 0 < speed <= 10_000:
        raise InputError("--speed", f"{speed:g}", "above 0, at most 10000")
    its = load_scenario(scenario)
    its_recipe = its.find_recipe(recipe)
    if levels_mm is not None:
        its_recipe = _at_levels(its, its.find_tank(tank), its_recipe, levels_mm, hold_s)
    bench = _bench(its, tank, (liquid,), seed)
    its_unit = find_unit(bench, unit)
    remark = f"scenario {its.name}, unit {its_unit.name}, {liquid}, recipe {its_recipe.name}, seed {seed}"
    lines = timed_lines(captures(bench, its_unit, liquid, its_recipe, times=times), remark)
    try:
        if stdout:
            play_lines(lines, _to_stdout, speed=speed)
            return
        with _port() as (name, write, ready):
            say(f"{name}: simulated, {remark}; Ctrl-C ends it")
            sys.stdout.flush()
            sent = play_lines(lines, write, speed=speed, ready=ready)
        say(f"{sent} frames played")
    except (KeyboardInterrupt, BrokenPipeError):
        raise typer.Exit(0) from None


def _to_stdout(data: bytes) -> None:
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()


@contextmanager
def _port() -> Iterator[tuple[str, Callable[[bytes], None], Callable[[], bool]]]:
    """A pseudo-terminal: its name, how to write to it, and whether something has it open and set up."""
    from dataset.errors import InputError

    if not hasattr(os, "openpty"):
        raise InputError(
            "innage rig play",
            f"a port on {sys.platform}",
            "a system with pseudo-terminals",
            "pipe it: --stdout | innage log --port -",
        )
    import select
    import time

    master, slave = os.openpty()
    name = os.ttyname(slave)
    os.close(slave)  # so that the other end hangs up whenever nobody listens
    poll = select.poll()
    poll.register(master, select.POLLOUT)
    opened: list[float] = []

    def ready() -> bool:
        if any(event & select.POLLHUP for _, event in poll.poll(0)):
            opened.clear()
            return False
        if not opened:
            opened.append(time.monotonic())
        return time.monotonic() - opened[0] >= SETTLED_S

    def write(data: bytes) -> None:
        while data:
            data = data[os.write(master, data) :]

    try:
        yield name, write, ready
    finally:
        os.close(master)


def _at_levels(its: Scenario, tank: int, recipe: Recipe, levels: str, hold_s: float) -> Recipe:
    """The recipe, standing still at these levels in turn."""
    from dataset.errors import InputError

    try:
        wanted = tuple(float(level) for level in levels.split(","))
    except ValueError as error:
        raise InputError(
            "--levels-mm", repr(levels), "levels in mm with commas between, such as 0,40,80"
        ) from error
    most = its.tank[tank].span_mm
    if not all(0 <= level <= most for level in wanted):
        raise InputError("--levels-mm", levels, f"0 to {most:g} mm, the tank's span")
    if not 1 <= hold_s <= 86_400:
        raise InputError("--hold-s", f"{hold_s:g}", "1 to 86400 seconds")
    return replace(
        recipe,
        path="steps",
        levels_mm=wanted,
        frames=round(len(wanted) * hold_s * 1000 / its.board.period_ms),
    )


def _bench(its: Scenario, tank: str | None, liquids: Sequence[str], seed: int) -> Bench:
    """The bench of a tank, its tables from the cache or solved now. InputError for a liquid that is not the
    tank's.
    """
    from dataset.errors import InputError
    from dataset.rig.bench import Bench

    if tank is None:
        raise InputError(
            "--tank",
            "nothing",
            "one of " + ", ".join(f"{t.name}@{its.revision(k)}" for k, t in enumerate(its.tank)),
        )
    index = its.find_tank(tank)
    for liquid in liquids:
        if liquid not in its.tank[index].liquids:
            raise InputError(
                "--liquid",
                repr(liquid),
                f"one of {', '.join(its.tank[index].liquids)}, which {its.tank[index].name} takes",
            )
    trimmed_with = its.tank[index].liquids[0]
    with progress("rig") as moved:
        return Bench(its, index, seed=seed, liquids=(trimmed_with, *liquids), progress=moved)


def find_unit(bench: Bench, ref: str) -> RigUnit:
    """A unit by its number or its name. InputError for any other."""
    from dataset.errors import InputError

    most = bench.rig_tank.units - 1
    for number in range(bench.rig_tank.units):
        its = bench.unit(number)
        if ref in (str(number), its.name):
            return its
    raise InputError("--unit", repr(ref), f"0 to {most}, or a name such as {bench.unit(most).name}")


def log_rig(
    store: Store,
    scenario: str,
    *,
    tank: str | None,
    liquid: str | None,
    unit: str | None,
    recipes: Sequence[str],
    seed: int,
    json: bool,
) -> None:
    """Log a simulated session for each recipe; what the store lacks of tank, sensor, mounting, liquid and
    unit is added.
    """
    from dataset.errors import InputError
    from dataset.rig.filling import add_rig_unit, register
    from dataset.rig.scenario import load_scenario

    its = load_scenario(scenario)
    if liquid is None or unit is None:
        raise InputError(
            "--liquid and --unit",
            "one is missing",
            "both: a liquid of the tank, and a unit by its number or name",
        )
    wanted = [its.find_recipe(name) for name in recipes]
    bench = _bench(its, tank, (liquid,), seed)
    found = find_unit(bench, unit)
    mounting = register(store, its, bench.tank)
    the_unit, the_liquid = add_rig_unit(store, bench, found, mounting), store.liquid(liquid)
    known = {s.source.sha256 for s in store.sessions()}
    new = []
    for recipe in wanted:
        session = next(
            s
            for s in _sessions(bench, found, recipe, (the_unit, the_liquid, mounting))
            if s.source.sha256 not in known
        )
        known.add(session.source.sha256)
        new.append(session)
    with progress("logging") as moved:
        _report(store.add_sessions(new, moved), json)


def _sessions(
    bench: Bench, unit: RigUnit, recipe: Recipe, what: tuple[Any, Any, Any]
) -> Iterator[NewSession]:
    """One session of a recipe after the other."""
    from dataset.rig.filling import session_of

    the_unit, liquid, mounting = what
    for number in count():
        yield session_of(
            bench.scenario,
            the_unit,
            liquid,
            mounting,
            recipe,
            bench.capture(unit, liquid.name, recipe, number),
        )


def _report(sessions: Sequence[Session], json: bool) -> None:
    if json:
        emit([session_facts(s) for s in sessions])
        return
    for session in sessions:
        say(
            f"session {session.id} from {session.source.file}, simulated: {session.frames} "
            f"frames, {labelled(session)} labelled"
        )
        say_warnings(session)
