"""A store filled from the virtual rig: registry, units with their trims, and capture sessions, all of them marked as simulated."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeVar

from dataset.errors import NotFoundError
from dataset.records import Liquid, Mounting, NewSession, Sensor, Source, Tank, Trim, TrimKind, Unit
from dataset.rig.bench import Bench, Capture, RigUnit, lines
from dataset.rig.response import Progress
from dataset.rig.scenario import Recipe, Scenario
from dataset.store import Store

DATE = "2026-01-05"  # of all trims: outputs hold no clock
PARTIAL_SHARE = 0.5  # of the span, that partial trims are filled to
_AT_ONCE = 40
Kept = TypeVar("Kept")


def register(store: Store, scenario: Scenario, tank: int) -> Mounting:
    """The mounting of a scenario's tank; tank revisions, sensor and liquids are added where the store lacks them."""
    wanted = scenario.tank_record(tank)
    for k in range(len(scenario.tank)):  # revisions are numbered by the store: earlier shapes come first
        if scenario.tank[k].name == wanted.name and scenario.revision(k) <= wanted.revision:
            its = scenario.tank_record(k)
            _once(partial(store.tank, f"{its.name}@{its.revision}"), partial(store.add_tank, its))
    kept: Tank = store.tank(f"{wanted.name}@{wanted.revision}")
    sensor_wanted = scenario.sensor_record(tank)
    sensor: Sensor = _once(lambda: store.sensor(sensor_wanted.name), lambda: store.add_sensor(sensor_wanted))
    for name in scenario.tank[tank].liquids:
        _once(partial(store.liquid, name), partial(store.add_liquid, scenario.find_liquid(name).record))
    name = scenario.mounting_name(tank)
    made = Mounting(name, kept, sensor, 0.0, scenario.spread.mounting_mm, "simulated")
    return _once(lambda: store.mounting(name), lambda: store.add_mounting(made))


def _once(find: Callable[[], Kept], add: Callable[[], Kept]) -> Kept:
    """What the store has, or has from now on."""
    try:
        return find()
    except NotFoundError:
        return add()


def session_of(scenario: Scenario, unit: Unit, liquid: Liquid, mounting: Mounting, recipe: Recipe, its: Capture) -> NewSession:
    """A capture as a session on its way into a store; the hash of the source is that of the lines a board would have sent."""
    sent = hashlib.sha256(b"".join(lines(its.frames))).hexdigest()
    source = Source(f"rig {scenario.name}, recipe {recipe.name}", sent)
    return NewSession(unit, liquid, mounting, its.frames, its.marks, source, recipe.name, its.stretches, simulated=True)


def add_unit(store: Store, bench: Bench, its: RigUnit, mounting: Mounting) -> Unit:
    """A unit with its trims: dry, full, half full, and a surrogate block that makes half of the step."""
    unit: Unit = _once(lambda: store.unit(its.name), lambda: store.add_unit(Unit(its.name, "simulated")))
    if store.trims(its.name):
        return unit
    span = bench.its.span_mm
    dry, full, half = bench.trim(its, None), bench.trim(its, span + bench.its.headspace_mm / 2), bench.trim(its, PARTIAL_SHARE * span)
    block = tuple(round(d + 0.5 * (f - d)) for d, f in zip(dry, full, strict=True))
    pads = (0.5,) * len(dry)
    made = [
        Trim(unit, mounting, TrimKind.DRY, dry, DATE, "line", 22.0, note="simulated"),
        Trim(unit, mounting, TrimKind.FULL, full, DATE, "line", 22.0, note="simulated"),
        Trim(unit, mounting, TrimKind.PARTIAL, half, DATE, "line", 22.0, level_mm=PARTIAL_SHARE * span, note="simulated"),
        Trim(unit, mounting, TrimKind.BLOCK, block, DATE, "line", 22.0, transfer=pads, transfer_spread=(0.02,) * len(dry), note="simulated"),
    ]
    for trim in made:
        store.add_trim(trim)
    return unit


def fill_store(store: Store, bench: Bench, *, units: int | None = None, plan: Sequence[tuple[str, str]], progress: Progress | None = None) -> Mounting:
    """Units of a bench's tank with their trims, and for each unit a session for every (liquid, recipe) of ``plan``.

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
            pending.append(session_of(scenario, unit, store.liquid(liquid), mounting, recipe, bench.capture(its, liquid, recipe, k)))
        if len(pending) >= _AT_ONCE or number == count - 1:
            store.add_sessions(pending)
            pending = []
        say("capturing", number + 1, count)
    return mounting
