"""Benches for tests: one tank, sensor, mounting, liquid and unit, and sessions made up from a seed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dataset.records import (
    CountLaw,
    Frames,
    Liquid,
    Mark,
    Mounting,
    NewSession,
    Pad,
    Sensor,
    Source,
    Tank,
    Unit,
)
from dataset.store import Store

CAN = Tank("can", 0, 100.0)
WATER = Liquid("water")
TANK = Tank("canister", 0, 100.0, "PP", 2.0, inlet_mm=95.0)
LIQUID = Liquid("water", 80.2, 0.05, 998.2, 20.0)
SENSOR = Sensor(
    "strip", 0, (Pad(0, "low", 0.0, 50.0, 8.0), Pad(1, "high", 50.0, 50.0)), 16, CountLaw.RISES, 100
)
MARKS = (Mark(0, 10, 15.0, 0.5), Mark(12, 30, 25.0))


ON_ONE_PAD = ("--unit", "unit", "--liquid", "water", "--tank", "can", "--sensor", "pad")


def one_pad_bench(store: Store) -> Bench:
    """Water in the can with one pad, and the unit 'unit': what a command names by ``ON_ONE_PAD``."""
    return bench_store(store, tank=CAN, sensor=one_pad(), liquid=WATER, unit="unit", mounting="bench")


def one_pad(count_law: CountLaw = CountLaw.FALLS, frame_interval_ms: int = 100) -> Sensor:
    """A sensor with one pad as high as the can."""
    return Sensor("pad", 0, (Pad(0, "pad", 0.0, 100.0),), 16, count_law, frame_interval_ms)


def two_pads(name: str = "strip") -> Sensor:
    """A strip of two pads as high as the can."""
    return Sensor(name, 0, (Pad(0, "low", 0.0, 50.0), Pad(1, "high", 50.0, 50.0)), 16, CountLaw.RISES, 100)


def make_frames(seed: int, n: int = 40, channels: int = 2, warm: bool = False) -> Frames:
    """Frames 100 ms apart with counts of 16 bits."""
    rng = np.random.default_rng(seed)
    temperature = np.where(rng.random(n) < 0.2, np.nan, rng.normal(20.0, 1.0, n)) if warm else None
    return Frames(
        np.arange(n, dtype=np.int64) * 100,
        rng.integers(0, 1 << 16, (n, channels)).astype(np.uint32),
        temperature,
    )


@dataclass(frozen=True)
class Bench:
    """What a bench has, as the store gave it back."""

    tank: Tank
    liquid: Liquid
    sensor: Sensor
    mounting: Mounting
    units: tuple[Unit, ...]

    @property
    def unit(self) -> Unit:
        """The only unit, or the first."""
        return self.units[0]

    def session(
        self,
        seed: int,
        marks: tuple[Mark, ...] = MARKS,
        *,
        unit: Unit | None = None,
        liquid: Liquid | None = None,
        note: str = "",
        frames: Frames | None = None,
    ) -> NewSession:
        """A session with a source and, unless given, frames of its seed."""
        return NewSession(
            unit or self.unit,
            liquid or self.liquid,
            self.mounting,
            make_frames(seed) if frames is None else frames,
            marks,
            Source(f"run{seed}.csv", f"{seed:064x}"),
            note,
        )


def bench_store(
    store: Store,
    *,
    tank: Tank = TANK,
    sensor: Sensor = SENSOR,
    liquid: Liquid = LIQUID,
    unit: str | Sequence[str] = "unit1",
    mounting: str = "m1",
    offset_mm: float = 0.0,
    offset_tolerance_mm: float = 0.0,
) -> Bench:
    """Register a bench in a store, with one unit or several; its records as the store gave them back.

    What the store has already is taken as it is: a tank or sensor with a revision, a liquid or unit by name.
    """
    units = (unit,) if isinstance(unit, str) else unit
    there = {stored.name: stored for stored in store.units()}
    stored_tank = tank if tank.revision else store.add_tank(tank)
    stored_sensor = sensor if sensor.revision else store.add_sensor(sensor)
    stored_mounting = store.add_mounting(
        Mounting(mounting, stored_tank, stored_sensor, offset_mm, offset_tolerance_mm)
    )
    return Bench(
        stored_tank,
        liquid if liquid in store.liquids() else store.add_liquid(liquid),
        stored_sensor,
        stored_mounting,
        tuple(there.get(name) or store.add_unit(Unit(name)) for name in units),
    )


def put(store: Store, *records: Tank | Sensor | Liquid | Unit | Mounting) -> tuple[Any, ...]:
    """Register single records where a test is about something else; each as the store gave it back."""
    add: dict[type, Callable[[Any], Any]] = {
        Tank: store.add_tank,
        Sensor: store.add_sensor,
        Liquid: store.add_liquid,
        Unit: store.add_unit,
        Mounting: store.add_mounting,
    }
    return tuple(add[type(record)](record) for record in records)
