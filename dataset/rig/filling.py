"""A store filled from the virtual rig: registry, units with their trims, and capture sessions, all of them
marked as simulated.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import TypeVar

from dataset.errors import InputError, NotFoundError
from dataset.records import Liquid, Mounting, NewSession, Source, Trim, TrimKind, Unit
from dataset.rig.bench import Bench, Capture, RigUnit, lines
from dataset.rig.response import Progress
from dataset.rig.scenario import Recipe, Scenario
from dataset.store import Store

DATE = "2026-01-05"  # of all trims: outputs hold no clock
PARTIAL_SHARE = 0.5  # of the span, that partial trims are filled to
BLOCK, BLOCK_SPREAD = (
    0.5,
    0.02,
)  # of the step from dry to full, that a surrogate block makes; common practice, no source
_AT_ONCE = 40
Kept = TypeVar("Kept")


def register(store: Store, scenario: Scenario, tank: int) -> Mounting:
    """The mounting of a scenario's tank; tank revisions, sensor, liquids and mounting are added where the
    store lacks them.

    Raises InputError where the store has another of that name.
    """
    wanted = scenario.tank_record(tank)
    for k in range(len(scenario.tank)):  # revisions are numbered by the store: earlier shapes come first
        if scenario.tank[k].name == wanted.name and scenario.revision(k) <= wanted.revision:
            its = scenario.tank_record(k)
            kept = _once(
                f"tank {its.ref}",
                its,
                partial(store.tank, its.ref),
                store.add_tank,
            )
    its_sensor = scenario.sensor_record(tank)
    sensor = _once(
        f"sensor {its_sensor.name}",
        its_sensor,
        lambda: store.sensor(f"{its_sensor.name}@1"),
        store.add_sensor,
    )
    for name in scenario.tank[tank].liquids:
        _once(
            f"liquid {name}", scenario.find_liquid(name).record, partial(store.liquid, name), store.add_liquid
        )
    made = replace(scenario.mounting_record(tank), tank=kept, sensor=sensor)
    return _once(f"mounting {made.name}", made, lambda: store.mounting(made.name), store.add_mounting)


def _once(what: str, wanted: Kept, find: Callable[[], Kept], add: Callable[[Kept], Kept]) -> Kept:
    """What the store has, or has from now on."""
    try:
        found = find()
    except NotFoundError:
        return add(wanted)
    if found != wanted:
        raise InputError(
            what,
            "the store has another of that name",
            "the scenario's",
            "take a store of its own, or change the name in a copy of the scenario",
        )
    return found


def session_of(
    scenario: Scenario, unit: Unit, liquid: Liquid, mounting: Mounting, recipe: Recipe, its: Capture
) -> NewSession:
    """A capture as a session on its way into a store; the hash of the source is that of the lines a board
    would have sent.
    """
    sent = hashlib.sha256(b"".join(lines(its.frames))).hexdigest()
    source = Source(f"rig {scenario.name}, recipe {recipe.name}", sent)
    return NewSession(
        unit, liquid, mounting, its.frames, its.marks, source, recipe.name, its.stretches, simulated=True
    )


def add_unit(store: Store, bench: Bench, its: RigUnit, mounting: Mounting) -> Unit:
    """A unit with its trims: dry, full, half full, and a surrogate block that makes half of the step."""
    unit = _once(
        f"unit {its.name}", Unit(its.name, "simulated"), lambda: store.unit(its.name), store.add_unit
    )
    if store.trims(its.name):
        return unit
    half_mm, pads = PARTIAL_SHARE * bench.its.span_mm, bench.its.pads
    made = [
        Trim(unit, mounting, TrimKind.DRY, bench.trim(its, None), DATE, "line", 22.0, note="simulated"),
        Trim(
            unit,
            mounting,
            TrimKind.FULL,
            bench.trim(its, bench.full_mm),
            DATE,
            "line",
            22.0,
            note="simulated",
        ),
        Trim(
            unit,
            mounting,
            TrimKind.PARTIAL,
            bench.trim(its, half_mm),
            DATE,
            "line",
            22.0,
            level_mm=half_mm,
            note="simulated",
        ),
        Trim(
            unit,
            mounting,
            TrimKind.BLOCK,
            bench.block(its, BLOCK, BLOCK_SPREAD),
            DATE,
            "line",
            22.0,
            transfer=(BLOCK,) * pads,
            transfer_spread=(BLOCK_SPREAD,) * pads,
            note="simulated",
        ),
    ]
    for trim in made:
        store.add_trim(trim)
    return unit


def fill_store(
    store: Store,
    bench: Bench,
    *,
    units: int | None = None,
    plan: Sequence[tuple[str, str]],
    progress: Progress | None = None,
) -> Mounting:
    """Units of a bench's tank with their trims, and for each unit a session for every (liquid, recipe) of
    ``plan``.

    Raises InputError where the plan names what the scenario lacks.
    """
    scenario, say = bench.scenario, progress or (lambda what, done, total: None)
    mounting = register(store, scenario, bench.tank)
    count = bench.its.units if units is None else units
    pending: list[NewSession] = []
    for number in range(count):
        its = bench.unit(number)
        unit = add_unit(store, bench, its, mounting)
        for k, (liquid, recipe_name) in enumerate(plan):
            recipe = scenario.find_recipe(recipe_name)
            pending.append(
                session_of(
                    scenario,
                    unit,
                    store.liquid(liquid),
                    mounting,
                    recipe,
                    bench.capture(its, liquid, recipe, k),
                )
            )
        if len(pending) >= _AT_ONCE or number == count - 1:
            store.add_sessions(pending)
            pending = []
        say("capturing", number + 1, count)
    return mounting
