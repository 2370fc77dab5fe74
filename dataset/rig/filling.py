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
from dataset.rig.bench import Bench, RigCapture, RigUnit, lines
from dataset.rig.response import Progress
from dataset.rig.scenario import Recipe, Scenario
from dataset.store import Store
from dataset.values import later

DATE = "2026-01-05"  # of all trims: outputs hold no clock
PAUSE_MS = 300_000  # between two sessions: the tank is emptied and filled anew
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
            earlier = scenario.tank_record(k)
            kept = _once(
                f"tank {earlier.ref}",
                earlier,
                partial(store.tank, earlier.ref),
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
    wanted_mounting = replace(scenario.mounting_record(tank), tank=kept, sensor=sensor)
    return _once(
        f"mounting {wanted_mounting.name}",
        wanted_mounting,
        lambda: store.mounting(wanted_mounting.name),
        store.add_mounting,
    )


def _once(what: str, wanted: Kept, find: Callable[[], Kept], add: Callable[[Kept], Kept]) -> Kept:
    """What the store has, or has from now on."""
    try:
        stored = find()
    except NotFoundError:
        return add(wanted)
    if stored != wanted:
        raise InputError(
            what,
            "the store has another of that name",
            "the scenario's",
            "take a store of its own, or change the name in a copy of the scenario",
        )
    return stored


def session_of(
    scenario: Scenario, unit: Unit, liquid: Liquid, mounting: Mounting, recipe: Recipe, capture: RigCapture
) -> NewSession:
    """A capture as a session on its way into a store; the hash of the source is that of the lines a board
    would have sent.
    """
    sent = hashlib.sha256(b"".join(lines(capture.frames))).hexdigest()
    source = Source(f"rig {scenario.name}, recipe {recipe.name}", sent)
    return NewSession(
        unit,
        liquid,
        mounting,
        capture.frames,
        capture.marks,
        source,
        recipe.name,
        capture.stretches,
        simulated=True,
    )


def begun_at(new: NewSession, started: str | None) -> NewSession:
    """The session as one that began at an instant that somebody states."""
    return replace(new, occasion=replace(new.occasion, started=started))


def next_start(new: NewSession, started: str | None) -> str | None:
    """When the session after one that began at ``started`` begins, at the bench's pace."""
    return None if started is None else later(started, int(new.frames.t_ms[-1]) + PAUSE_MS)


def add_rig_unit(store: Store, bench: Bench, rig_unit: RigUnit, mounting: Mounting) -> Unit:
    """A unit with its trims: dry, full, half full, and a surrogate block that makes half of the step."""
    unit = _once(
        f"unit {rig_unit.name}",
        Unit(rig_unit.name, "simulated"),
        lambda: store.unit(rig_unit.name),
        store.add_unit,
    )
    if store.trims(rig_unit.name):
        return unit
    half_mm, pads = PARTIAL_SHARE * bench.rig_tank.span_mm, bench.rig_tank.pads
    trims = [
        Trim(unit, mounting, TrimKind.DRY, bench.trim(rig_unit, None), DATE, "line", 22.0, note="simulated"),
        Trim(
            unit,
            mounting,
            TrimKind.FULL,
            bench.trim(rig_unit, bench.full_mm),
            DATE,
            "line",
            22.0,
            note="simulated",
        ),
        Trim(
            unit,
            mounting,
            TrimKind.PARTIAL,
            bench.trim(rig_unit, half_mm),
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
            bench.block(rig_unit, BLOCK, BLOCK_SPREAD),
            DATE,
            "line",
            22.0,
            transfer=(BLOCK,) * pads,
            transfer_spread=(BLOCK_SPREAD,) * pads,
            note="simulated",
        ),
    ]
    for trim in trims:
        store.add_trim(trim)
    return unit


def fill_store(
    store: Store,
    bench: Bench,
    *,
    units: int | None = None,
    plan: Sequence[tuple[str, str]],
    progress: Progress | None = None,
    started: str | None = None,
) -> Mounting:
    """Units of a bench's tank with their trims, and for each unit a session for every (liquid, recipe) of
    ``plan``. The first begins at ``started``, the others one after the other; None states no time.

    Raises InputError where the plan names what the scenario lacks.
    """
    scenario, say = bench.scenario, progress or (lambda what, done, total: None)
    mounting = register(store, scenario, bench.tank)
    count = bench.rig_tank.units if units is None else units
    pending: list[NewSession] = []
    for number in range(count):
        rig_unit = bench.unit(number)
        unit = add_rig_unit(store, bench, rig_unit, mounting)
        for k, (liquid, recipe_name) in enumerate(plan):
            recipe = scenario.find_recipe(recipe_name)
            captured = bench.capture(rig_unit, liquid, recipe, k)
            new = session_of(scenario, unit, store.liquid(liquid), mounting, recipe, captured)
            pending.append(begun_at(new, started))
            started = next_start(new, started)
        if len(pending) >= _AT_ONCE or number == count - 1:
            store.add_sessions(pending)
            pending = []
        say("capturing", number + 1, count)
    return mounting
