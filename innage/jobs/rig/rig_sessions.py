"""The virtual rig's jobs: sessions logged, a store filled, a board played. All that is made is simulated."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count
from typing import TYPE_CHECKING

from dataset.errors import InputError

if TYPE_CHECKING:
    from dataset.pools import Pool
    from dataset.records import Mounting, NewSession, Session
    from dataset.rig.bench import Bench, RigUnit
    from dataset.rig.peer import Timed
    from dataset.rig.scenario import Recipe, Scenario
    from dataset.store import Store
    from innage.jobs.sessions.circumstances import Circumstances

    Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class RigSetup:
    """A tank of a scenario (NAME or NAME@REVISION), a liquid of that tank, a unit by number or name, and the
    seed that units and captures are drawn by. ``started`` is when the first session is said to begin.
    """

    tank: str
    liquid: str
    unit: str
    seed: int = 0
    started: str | None = None


@dataclass(frozen=True)
class Held:
    """Levels in mm to stand still at in turn, ``hold_s`` seconds at each by the board's clock."""

    levels_mm: tuple[float, ...]
    hold_s: float = 10.0


@dataclass(frozen=True)
class Filled:
    """The mounting whose store was filled, and the sessions that came to it."""

    mounting: Mounting
    sessions: tuple[Session, ...]


def log_rig(
    store: Store,
    scenario: Scenario,
    setup: RigSetup,
    recipes: Sequence[str],
    progress: Progress,
    pool: Pool | None = None,
) -> tuple[Session, ...]:
    """Log a simulated session for each recipe, the first that the store does not have; what it lacks of tank,
    sensor, mounting, liquid and unit is added. ``pool``: where the field is solved that no table has.

    Raises:
        InputError: what the scenario does not have, or a store that has another of that name.
    """
    from dataset.rig.filling import add_rig_unit, begun_at, next_start, register
    from innage.jobs.sessions.circumstances import Circumstances

    wanted = [scenario.find_recipe(name) for name in recipes]
    bench = bench_of(scenario, setup, progress, pool)
    unit = find_unit(bench, setup.unit)
    mounting = register(store, scenario, bench.tank)
    known_unit = add_rig_unit(store, bench, unit, mounting)
    circumstances = Circumstances(known_unit, store.liquid(setup.liquid), mounting)
    known = {session.source.sha256 for session in store.sessions()}
    new: list[NewSession] = []
    started = setup.started
    for recipe in wanted:
        captured = _sessions(bench, unit, recipe, circumstances)
        first = next(session for session in captured if session.source.sha256 not in known)
        known.add(first.source.sha256)
        new.append(begun_at(first, started))
        started = next_start(first, started)
    return tuple(store.add_sessions(new, progress))


def fill_from_rig(
    store: Store,
    scenario: Scenario,
    tank: str,
    seed: int,
    units: int | None,
    progress: Progress,
    started: str | None = None,
    pool: Pool | None = None,
) -> Filled:
    """Capture a scenario's whole plan for a tank: every unit with its trims, and a session for each liquid
    and recipe. ``units`` None: as many as the scenario has. ``started`` is when the first is said to begin.
    ``pool``: where the field is solved that no table has.
    """
    from dataset.pools import TWO
    from dataset.rig.bench import Bench
    from dataset.rig.filling import fill_store

    index = scenario.find_tank(tank)
    plan = [(liquid, recipe) for liquid, recipe in scenario.plan if liquid in scenario.tank[index].liquids]
    if not plan:
        raise InputError(
            f"scenario {scenario.name}, plan",
            "no session for the liquids of this tank",
            "a plan of liquids and recipes",
        )
    before = len(store.sessions())
    bench = Bench(scenario, index, seed=seed, progress=progress, pool=pool or TWO)
    mounting = fill_store(store, bench, units=units, plan=plan, progress=progress, started=started)
    return Filled(mounting, tuple(store.sessions()[before:]))


@dataclass(frozen=True)
class PlayedBoard:
    """Lines as a board sends them, each with the board's time in ms at which it is due, and what they are."""

    lines: Iterator[Timed]
    remark: str


def played_board(
    scenario: Scenario,
    setup: RigSetup,
    recipe: str,
    held: Held | None,
    times: int | None,
    progress: Progress,
) -> PlayedBoard:
    """A board that plays captures of a recipe, ``times`` of them or for ever; at the levels of ``held``
    instead of those that the recipe draws.
    """
    from dataset.rig.peer import captures, timed_lines

    what = scenario.find_recipe(recipe)
    tank = scenario.find_tank(setup.tank)
    if held is not None:
        what = _at_levels(scenario, tank, what, held)
    bench = bench_of(scenario, setup, progress)
    unit = find_unit(bench, setup.unit)
    remark = (
        f"scenario {scenario.name}, unit {unit.name}, {setup.liquid}, recipe {what.name}, seed {setup.seed}"
    )
    played = captures(bench, unit, setup.liquid, what, times=times)
    return PlayedBoard(timed_lines(played, remark), remark)


def bench_of(scenario: Scenario, setup: RigSetup, progress: Progress, pool: Pool | None = None) -> Bench:
    """The bench of a tank, its tables from the cache or solved now. InputError for a liquid that is not the
    tank's.
    """
    from dataset.pools import TWO
    from dataset.rig.bench import Bench

    tank = scenario.find_tank(setup.tank)
    liquids = scenario.tank[tank].liquids
    if setup.liquid not in liquids:
        raise InputError(
            "liquid",
            repr(setup.liquid),
            f"one of {', '.join(liquids)}, which {scenario.tank[tank].name} takes",
            fields=("liquid",),
        )
    trimmed_with = liquids[0]
    return Bench(
        scenario,
        tank,
        seed=setup.seed,
        liquids=(trimmed_with, setup.liquid),
        progress=progress,
        pool=pool or TWO,
    )


def find_unit(bench: Bench, ref: str) -> RigUnit:
    """A unit by its number or its name. InputError for any other."""
    last = bench.rig_tank.units - 1
    for number in range(bench.rig_tank.units):
        unit = bench.unit(number)
        if ref in (str(number), unit.name):
            return unit
    raise InputError(
        "unit", repr(ref), f"0 to {last}, or a name such as {bench.unit(last).name}", fields=("unit",)
    )


def _sessions(
    bench: Bench, unit: RigUnit, recipe: Recipe, circumstances: Circumstances
) -> Iterator[NewSession]:
    """One session of a recipe after the other."""
    from dataset.rig.filling import session_of

    for number in count():
        captured = bench.capture(unit, circumstances.liquid.name, recipe, number)
        yield session_of(
            bench.scenario,
            circumstances.unit,
            circumstances.liquid,
            circumstances.mounting,
            recipe,
            captured,
        )


def _at_levels(scenario: Scenario, tank: int, recipe: Recipe, held: Held) -> Recipe:
    """The recipe, standing still at these levels in turn."""
    span_mm = scenario.tank[tank].span_mm
    if not all(0 <= level <= span_mm for level in held.levels_mm):
        levels = ", ".join(f"{level:g}" for level in held.levels_mm)
        raise InputError(
            "levels_mm", levels, f"0 to {span_mm:g} mm, which the tank spans", fields=("levels_mm",)
        )
    if not 1 <= held.hold_s <= 86_400:
        raise InputError("hold_s", f"{held.hold_s:g}", "1 to 86400 seconds", fields=("hold_s",))
    return replace(
        recipe,
        path="steps",
        levels_mm=held.levels_mm,
        frames=round(len(held.levels_mm) * held.hold_s * 1000 / scenario.board.period_ms),
    )
