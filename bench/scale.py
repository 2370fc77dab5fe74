"""How the store behaves as it grows: the cost of logging a session, and the time that lists and searches take.

Everything that is logged here is invented: a rig of eight pads with plain numbers, for size alone. It says nothing about accuracy.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from typer.testing import CliRunner

from dataset.records import (
    Conditions,
    CountLaw,
    Frames,
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
    Unit,
    Wall,
)
from dataset.store import Store
from innage.cli import app

CHANNELS = 8
PAD_MM = 25.0
MARKS = 10
UNITS = 5
HISTORY = 10 * UNITS  # a session is checked against ten earlier ones of its unit: from here on each has them
LIQUIDS = 3
REPEATS = 3
PLAIN = Conditions(surface=(Surface.STILL,), wall=(Wall.CLEAN,))
FOAM = Conditions(surface=(Surface.FOAM,), wall=(Wall.FILM,))


def register(store: Store) -> tuple[Mounting, list[Liquid], list[Unit]]:
    """The invented bench."""
    tank = store.add_tank(Tank("invented-tank", 0, CHANNELS * PAD_MM, note="invented, for size alone"))
    pads = tuple(Pad(k, f"p{k}", PAD_MM * k, PAD_MM, 10.0, 100e3) for k in range(CHANNELS))
    sensor = store.add_sensor(Sensor("invented-strip", 0, pads, 16, CountLaw.RISES, 100, note="invented, for size alone"))
    mounting = store.add_mounting(Mounting("invented", tank, sensor))
    liquids = [store.add_liquid(Liquid(f"invented-liquid-{k}", 78.0, 0.05, note="invented")) for k in range(LIQUIDS)]
    return mounting, liquids, [store.add_unit(Unit(f"invented-unit-{k}", "invented")) for k in range(UNITS)]


def session(number: int, frames: int, bench: tuple[Mounting, list[Liquid], list[Unit]]) -> NewSession:
    """A stepwise fill: ten held levels, pads that rise as they are covered, noise of a few counts, a slow warming."""
    mounting, liquids, units = bench
    rng = np.random.default_rng(number)
    levels = np.sort(rng.uniform(0, CHANNELS * PAD_MM, MARKS))
    edges = np.linspace(0, frames, MARKS + 1).astype(int)
    level = np.repeat(levels, np.diff(edges))
    covered = np.clip((level[:, None] - PAD_MM * np.arange(CHANNELS)) / PAD_MM, 0, 1)
    counts = 20000 + 10000 * covered + rng.normal(0, 8, covered.shape)
    warm = 20 + 40 * rng.random() + np.linspace(0, 1, frames) + rng.normal(0, 0.05, frames)
    made = Frames(np.arange(frames, dtype=np.int64) * 100, counts.astype(np.uint32), np.round(warm, 2))
    marks = tuple(Mark(int(a), int(b), float(mm), 0.5) for a, b, mm in zip(edges[:-1], edges[1:], levels, strict=True))
    middle = frames // 2
    stretches = (Stretch(0, middle, PLAIN), Stretch(middle, frames, FOAM if number % 3 == 0 else PLAIN))
    source = Source(f"invented-{number}.csv", f"{number:064x}")
    return NewSession(units[number % UNITS], liquids[number % LIQUIDS], mounting, made, marks, source, "invented", stretches)


def seconds(work: Callable[[], object]) -> float:
    """How long ``work`` takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def command(path: Path, *words: str) -> None:
    """Run a command as its users do, without the start of the interpreter."""
    result = CliRunner().invoke(app, list(words), env={"INNAGE_STORE": str(path)}, catch_exceptions=False)
    if result.exit_code:
        raise RuntimeError(result.output)


def answers(store: Store) -> dict[str, float]:
    """Seconds for each command, the median of a few."""
    newest = store.sessions()[-1].id
    asked = {"sessions": ("sessions",), "sessions --json": ("sessions", "--json"), "gaps": ("gaps",), "plan": ("plan",), "show": ("show", newest)}
    return {name: statistics.median(seconds(lambda w=words: command(store.path, *w)) for _ in range(REPEATS)) for name, words in asked.items()}


def run(folder: Path, sessions: int, frames: int) -> None:
    """Log ``sessions`` sessions one at a time, ask at a hundredth, a tenth and all of them, and print ratios."""
    stops = [max(1, sessions // 100), max(2, sessions // 10), sessions]
    costs: list[float] = []
    asked: dict[int, dict[str, float]] = {}
    with Store.open(folder / "scale.db") as store:
        bench = register(store)
        for number in range(sessions):
            new = session(number, frames, bench)
            costs.append(seconds(lambda new=new: store.add_sessions([new])))
            if number + 1 in stops:
                asked[number + 1] = answers(store)
                print(f"{number + 1} sessions of {frames} frames x {CHANNELS} channels: {store.path.stat().st_size / 1e6:.1f} MB", flush=True)
        checked = seconds(lambda: [store.frames(s, verify=True) for s in store.sessions()[:20]]) / min(20, sessions)
    tenth = max(1, sessions // 10)
    first = min(HISTORY, sessions - tenth)
    early, late = (statistics.median(part) for part in (costs[first : first + tenth], costs[-tenth:]))
    print(f"\nlogging a session: {early:.3f} s early, {late:.3f} s in the last tenth, ratio {late / early:.2f}")
    print(f"frames of a session read and hashed again: {checked:.3f} s")
    print(f"\n{'command':<18}" + "".join(f"{f'{n} sessions':>16}" for n in stops) + f"{'ratios':>16}")
    for name in asked[stops[0]]:
        its = [asked[n][name] for n in stops]
        print(f"{name:<18}" + "".join(f"{value:>14.3f} s" for value in its) + f"{its[1] / its[0]:>9.1f} {its[2] / its[0]:.1f}")


def main() -> int:
    """Read the options and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=200, help="how many (default 200)")
    parser.add_argument("--frames", type=int, default=1000, help="frames a session (default 1000)")
    parser.add_argument("--full", action="store_true", help="2000 sessions of 10000 frames")
    parser.add_argument("--folder", type=Path, help="where the store goes (default: a folder that is removed again)")
    options = parser.parse_args()
    sessions, frames = (2000, 10000) if options.full else (options.sessions, options.frames)
    with tempfile.TemporaryDirectory(prefix="innage-scale-") as temporary:
        run(options.folder or Path(temporary), sessions, frames)
    return 0


if __name__ == "__main__":
    os.environ.setdefault("NO_COLOR", "1")
    sys.exit(main())
