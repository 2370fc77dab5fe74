"""Invented benches and readings, for size alone: they say nothing about accuracy. Pads that are covered one
after the other, with noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from typer.testing import CliRunner

from dataset.records import (
    ColumnMapping,
    Conditions,
    CountLaw,
    Frames,
    LevelUnit,
    Liquid,
    Mark,
    Mounting,
    NewSession,
    Pad,
    Sensor,
    Source,
    Stretch,
    Surface,
    Tank,
    TimeUnit,
    Unit,
    Wall,
)
from dataset.store import Store
from innage.cli import app

CHANNELS, PAD_MM = 8, 25.0
SPAN_MM = CHANNELS * PAD_MM
PADS = tuple(f"p{k}" for k in range(CHANNELS))
UNITS, LIQUIDS, MARKS = 5, 3, 10
HISTORY = 10 * UNITS  # a session is checked against ten earlier ones of its unit: from here on each has them
CSV_LEVELS, CSV_NOISE = 20, 15.0  # levels of a file, and the standard deviation of its counts
COLUMNS = ColumnMapping("invented", PADS, "t_ms", TimeUnit.MILLISECONDS, "level", LevelUnit.MILLIMETRES)
_PLAIN = Conditions(surface=(Surface.STILL,), wall=(Wall.CLEAN,))
_FOAM = Conditions(surface=(Surface.FOAM,), wall=(Wall.FILM,))


@dataclass(frozen=True)
class Registered:
    """What readings are taken on."""

    mounting: Mounting
    liquids: tuple[Liquid, ...]
    units: tuple[Unit, ...]


def register(store: Store) -> Registered:
    """The invented bench."""
    tank = store.add_tank(Tank("invented-tank", 0, SPAN_MM, note="invented, for size alone"))
    pads = tuple(Pad(k, name, PAD_MM * k, PAD_MM, 10.0, 100e3) for k, name in enumerate(PADS))
    sensor = store.add_sensor(
        Sensor("invented-strip", 0, pads, 16, CountLaw.RISES, 100, note="invented, for size alone")
    )
    mounting = store.add_mounting(Mounting("invented", tank, sensor))
    liquids = tuple(
        store.add_liquid(Liquid(f"invented-liquid-{k}", 78.0, 0.05, note="invented")) for k in range(LIQUIDS)
    )
    return Registered(
        mounting, liquids, tuple(store.add_unit(Unit(f"invented-unit-{k}", "invented")) for k in range(UNITS))
    )


def session(number: int, frames: int, on: Registered) -> NewSession:
    """A stepwise fill: ten held levels, noise of a few counts, a slow warming; every third ends under foam.
    The same number gives the same session.
    """
    rng = np.random.default_rng(number)
    levels = np.sort(rng.uniform(0, SPAN_MM, MARKS))
    edges = np.linspace(0, frames, MARKS + 1).astype(int)
    counts = 20000 + 10000 * _covered(np.repeat(levels, np.diff(edges)))
    counts += rng.normal(0, 8, counts.shape)
    warm = 20 + 40 * rng.random() + np.linspace(0, 1, frames) + rng.normal(0, 0.05, frames)
    recorded = Frames(np.arange(frames, dtype=np.int64) * 100, counts.astype(np.uint32), np.round(warm, 2))
    marks = tuple(
        Mark(int(a), int(b), float(mm), 0.5) for a, b, mm in zip(edges[:-1], edges[1:], levels, strict=True)
    )
    middle = frames // 2
    stretches = (Stretch(0, middle, _PLAIN), Stretch(middle, frames, _FOAM if number % 3 == 0 else _PLAIN))
    source = Source(f"invented-{number}.csv", f"{number:064x}")
    return NewSession(
        on.units[number % UNITS],
        on.liquids[number % LIQUIDS],
        on.mounting,
        recorded,
        marks,
        source,
        "invented",
        stretches,
    )


def session_table(number: int, frames: int, on: Registered) -> pd.DataFrame:
    """The readings of :func:`session` as a bench script would write them, each frame with its level."""
    new = session(number, frames, on)
    level = np.concatenate([np.full(mark.stop - mark.start, mark.level_mm) for mark in new.marks])
    columns = dict(zip(PADS, new.frames.counts.T, strict=True))
    return pd.DataFrame({"t_ms": new.frames.t_ms, **columns, "level": level.round(1)})


def table(frames: int) -> pd.DataFrame:
    """Time, counts and level of one long stepwise fill, as a bench script would write them."""
    rng = np.random.default_rng(1)
    level = np.repeat(np.linspace(0, SPAN_MM, CSV_LEVELS), -(-frames // CSV_LEVELS))[:frames].round(1)
    counts = np.rint(
        20000 + 6000 * _covered(level) + CSV_NOISE * rng.standard_normal((frames, CHANNELS))
    ).astype(np.int64)
    return pd.DataFrame(
        {"t_ms": 100 * np.arange(frames), **dict(zip(PADS, counts.T, strict=True)), "level": level}
    )


def _covered(level_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """The share of each pad that is under liquid, (frames, channels)."""
    return np.asarray(((level_mm[:, None] - PAD_MM * np.arange(CHANNELS)) / PAD_MM).clip(0, 1), np.float64)


def demo_store(path: Path, quick: bool = False) -> Path:
    """The store of ``innage demo`` before it trains, by the same commands: 24 simulated units with ten
    sessions each, frozen as ``canister``.
    """
    units, roles = (
        ("6", "fit:3,choose:1,calibrate:1,prove:1") if quick else ("24", "fit:9,choose:3,calibrate:9,prove:3")
    )
    command(path, "rig", "fill", "washer", "--tank", "detergent-canister@1", "--units", units)
    command(path, "freeze", "canister", "--group", "unit", "--roles", roles, "--seed", "1")
    return path


def command(path: Path, *words: str) -> str:
    """Run a command as its users do, without the start of the interpreter; what it prints."""
    result = CliRunner().invoke(
        app, list(words), env={"INNAGE_STORE": str(path), "NO_COLOR": "1"}, catch_exceptions=False
    )
    if result.exit_code:
        raise RuntimeError(result.output)
    return result.output
