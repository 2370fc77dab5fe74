"""Readings in and out of the store beside what people use instead, in one run: rows a second, bytes on disk, and arrays back.

    python bench/ingest.py [--frames 100000] [--channels 8] [--repeats 5]

CSV to store is read, checked at the door, packed, hashed and committed. Baselines: ``pandas.read_csv`` + ``to_sql`` into SQLite, where nothing
is checked, and ``pyarrow.csv`` parsing alone. A frozen set to arrays (hashes checked) stands beside ``pandas.read_parquet`` of the same columns.
Counts are invented: pads that are covered step by step, with noise, for size alone. Needs pyarrow: ``pip install ".[bench]"``.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.csv  # type: ignore[import-not-found,unused-ignore]

from dataset.reading import read_file
from dataset.records import ColumnMapping, CountLaw, GroupBy, LevelUnit, Liquid, Mounting, NewSession, Pad, Role, Sensor, Tank, TimeUnit, Unit
from dataset.store import Store

LEVELS, SPAN_MM = 20, 200.0


def readings(path: Path, frames: int, channels: int) -> pd.DataFrame:
    """Invented counts of pads that are covered step by step, as the CSV that a bench script would write."""
    draw = np.random.default_rng(1)
    level = np.repeat(np.linspace(0, SPAN_MM, LEVELS), -(-frames // LEVELS))[:frames].round(1)
    share = np.clip((level[:, None] - 25.0 * np.arange(channels)) / 25.0, 0, 1)
    counts = np.rint(20_000 + 6_000 * share + 15 * draw.standard_normal((frames, channels))).astype(np.int64)
    table = pd.DataFrame({"t_ms": 100 * np.arange(frames), **{f"p{k}": counts[:, k] for k in range(channels)}, "level": level})
    table.to_csv(path, index=False)
    return table


def bench(store: Store, channels: int) -> tuple[Unit, Liquid, Mounting, ColumnMapping]:
    """What the readings were taken on, invented."""
    tank = store.add_tank(Tank("invented", 0, SPAN_MM))
    sensor = store.add_sensor(Sensor("invented", 0, tuple(Pad(k, f"p{k}", 25.0 * k, 25.0) for k in range(channels)), 16, CountLaw.RISES, 100))
    columns = ColumnMapping("invented", tuple(f"p{k}" for k in range(channels)), "t_ms", TimeUnit.MILLISECONDS, "level", LevelUnit.MILLIMETRES)
    return store.add_unit(Unit("u0")), store.add_liquid(Liquid("water")), store.add_mounting(Mounting("invented", tank, sensor)), columns


def middle(work: Callable[[], object], repeats: int) -> float:
    """Seconds, the median of some runs."""
    took = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return statistics.median(took)


def on_disk(path: Path) -> int:
    """Bytes of a database that nobody has open."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.stat().st_size


def measure(frames: int, channels: int, repeats: int, folder: Path) -> dict[str, float]:
    """Seconds and bytes of every way."""
    csv, made = folder / "readings.csv", iter(range(1_000_000))
    table = readings(csv, frames, channels)

    def ours() -> Path:
        path = folder / f"ours{next(made)}.db"
        with Store.open(path) as store:
            unit, liquid, mounting, columns = bench(store, channels)
            start = time.perf_counter()
            its = read_file(csv, columns, mounting.sensor, mounting.tank)
            store.add_sessions([NewSession(unit, liquid, mounting, its.frames, its.marks, its.source)])
            taken.append(time.perf_counter() - start)
        return path

    taken: list[float] = []
    paths = [ours() for _ in range(repeats)]

    def plain() -> None:
        with closing(sqlite3.connect(folder / f"plain{next(made)}.db")) as connection:
            pd.read_csv(csv).to_sql("readings", connection, index=False)
            connection.commit()

    found = {"ours s": statistics.median(taken), "to_sql s": middle(plain, repeats), "pyarrow s": middle(lambda: pyarrow.csv.read_csv(csv), repeats)}
    with Store.open(folder / "empty.db") as store:
        bench(store, channels)
    plain_path = max(folder.glob("plain*.db"))
    found |= {"ours bytes": on_disk(paths[-1]) - on_disk(folder / "empty.db"), "to_sql bytes": plain_path.stat().st_size, "csv bytes": csv.stat().st_size}
    table.to_parquet(folder / "readings.parquet")
    with Store.open(paths[-1]) as store:
        levels = sorted({f"{mark.level_mm:g}" for mark in store.sessions()[0].marks}, key=float)
        frozen = store.freeze("all", store.sessions(), GroupBy.LEVEL, {name: Role.FIT if k % 2 else Role.PROVE for k, name in enumerate(levels)})
        found["frozen s"] = middle(lambda: store.frozen_data(frozen), repeats)
    found["parquet s"] = middle(lambda: pd.read_parquet(folder / "readings.parquet").to_numpy(), repeats)
    return found


def ratios(found: dict[str, float], frames: int) -> list[tuple[str, float, str]]:
    """What was asked, the ratio, and the goal."""
    return [
        ("CSV to store, rows/s over read_csv + to_sql", found["to_sql s"] / found["ours s"], ">= 5"),
        ("bytes over those of to_sql", found["ours bytes"] / found["to_sql bytes"], "<= 0.15"),
        ("CSV to store, rows/s over pyarrow.csv parsing alone", found["pyarrow s"] / found["ours s"], ">= 0.4"),
        ("frozen set to arrays, rows/s over read_parquet", found["parquet s"] / found["frozen s"], ">= 1"),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=100_000)
    parser.add_argument("--channels", type=int, default=8)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = measure(given.frames, given.channels, given.repeats, Path(folder))
    if given.json:
        print(json.dumps(found))
        return
    for what, ratio, goal in ratios(found, given.frames):
        print(f"{what:55}{ratio:8.2f}   goal {goal}")
    print(", ".join(f"{name} {value:.4g}" for name, value in found.items()))


if __name__ == "__main__":
    main()
