"""Readings into the store and out of it, beside what people use instead: rows a second, and bytes on disk.

A CSV file goes to a store by ``read_file`` and ``add_sessions``: every cell checked, the session checked at
the door, packed, hashed, committed. Beside it ``pandas.read_csv`` and ``to_sql`` into SQLite, which check
nothing, and ``pyarrow.csv`` parsing alone. Both sides that write begin with a file to write into (ours an
empty store, theirs a database that isn't there yet) and end with it closed. A Parquet file with the same rows
goes the same way, beside ``pyarrow.parquet`` reading it.

A frozen set comes back by ``frozen_data``. Cold, the store was just opened and nothing is kept of it: every
block is unpacked, every hash is checked, and what was verified is written to the user's cache folder. Warm,
the same open store is asked again: what it verified before is given while the store's file has not changed
since, by place, size and time. Warm from a new process, the store was just opened and another had it open
before: the set comes from the cache folder, whose files are held to their hashes (imports, which a new
process has to make too, are counted on neither side). Beside all ``pandas.read_parquet`` of a file with the
same rows, and what both sides then hold: counts as one int64 array (rows, channels), time in ms as int64
(rows,), levels in mm as float64 (rows,). Ours also gives each row's uncertainty, temperature, session, group,
frame and condition, and all frames of each session, labelled or not; these columns are not in the Parquet
file.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import ExitStack, closing
from itertools import count
from math import e, log2, pi
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.csv
import pyarrow.parquet
from invented import CHANNELS, COLUMNS, CSV_NOISE, PADS, register, table
from measuring import Goal, Row, Way, exact, in_turns, timed_row

from dataset.admission.session_files import read_file
from dataset.records import FrozenData, GroupBy, NewSession, Role
from dataset.store import Store

FRAMES, QUICK_FRAMES, ROUNDS = 100_000, 2_000, 7
LONG_FRAMES, LONG_ROUNDS = 1_000_000, 3  # of a file that is read in pieces
Arrays = dict[str, np.ndarray]


def csv_rows(folder: Path, quick: bool) -> list[Row]:
    """Files of invented readings into a store: a short one, and one that is read in pieces."""
    short = _csv_rows(folder, QUICK_FRAMES if quick else FRAMES, 1 if quick else ROUNDS)
    return short if quick else [*short, *_csv_rows(folder, LONG_FRAMES, LONG_ROUNDS, "-long")]


def _csv_rows(folder: Path, frames: int, rounds: int, which: str = "") -> list[Row]:
    folder = folder / f"csv{which}"
    folder.mkdir()
    file, columns, copies = folder / "readings.csv", folder / "readings.parquet", count()
    expected = table(frames)
    expected.to_csv(file, index=False)
    expected.to_parquet(columns)
    empty = folder / "empty.db"
    with Store.open(empty) as store:
        register(store)

    def fresh() -> Path:
        return Path(shutil.copy(empty, folder / f"ours{next(copies)}.db"))

    ways = {
        "ours": Way(lambda path: _log(path, file), fresh),
        "to_sql": Way(lambda path: _to_sql(path, file), lambda: folder / f"plain{next(copies)}.db"),
        "pyarrow": Way(lambda _: pyarrow.csv.read_csv(file)),
        "of parquet": Way(lambda path: _log(path, columns), fresh),
        "parquet": Way(lambda _: pyarrow.parquet.read_table(columns)),
    }
    runs = in_turns(ways, rounds)
    ours, plain = runs["ours"].result, runs["to_sql"].result
    kept, sql = _same(_stored(ours), _columns(expected)), _read_sql(plain).equals(expected)
    parsed = runs["pyarrow"].result.to_pandas().equals(expected)
    of_parquet = _same(_stored(runs["of parquet"].result), _columns(expected))
    read = runs["parquet"].result.to_pandas().equals(expected)
    told = "time, counts and levels of every row"
    share = (_size(ours) - _size(empty)) / _size(plain)
    return [
        timed_row(
            f"csv-sql{which}",
            f"CSV to store, {frames:,} rows",
            "pandas.read_csv + to_sql",
            "rows/s",
            (runs["ours"], runs["to_sql"]),
            goal=Goal(4, at_least=True),
            equal=kept and sql,
            compared=told,
        ),
        Row(
            f"csv-bytes{which}",
            f"CSV to store, {frames:,} rows",
            "pandas.read_csv + to_sql",
            "bytes",
            exact(share),
            Goal(0.145, at_least=False),
            kept and sql,
            told,
            note=f"what the file grew by; the noise alone, {CSV_NOISE:g} counts, takes "
            f"{_noise_share(plain, len(expected)):.3f}",
        ),
        timed_row(
            f"csv-parsing{which}",
            f"CSV to store, {frames:,} rows",
            "pyarrow.csv, parsing alone",
            "rows/s",
            (runs["ours"], runs["pyarrow"]),
            goal=Goal(0.35, at_least=True),
            equal=kept and parsed,
            compared=told,
        ),
        timed_row(
            f"parquet-reading{which}",
            f"Parquet to store, {frames:,} rows",
            "pyarrow.parquet, reading alone",
            "rows/s",
            (runs["of parquet"], runs["parquet"]),
            goal=Goal(0.5, at_least=True),
            equal=of_parquet and read,
            compared=told,
        ),
    ]


def _log(path: Path, file: Path) -> Path:
    with Store.open(path) as store:
        mounting, liquid, unit = store.mountings()[0], store.liquids()[0], store.units()[0]
        logged = read_file(file, COLUMNS, mounting.sensor, mounting.tank)
        store.add_sessions([NewSession(unit, liquid, mounting, logged.frames, logged.marks, logged.source)])
    return path


def _to_sql(path: Path, file: Path) -> Path:
    with closing(sqlite3.connect(path)) as connection:
        pd.read_csv(file).to_sql("readings", connection, index=False)
        connection.commit()
    return path


def _read_sql(path: Path) -> pd.DataFrame:
    with closing(sqlite3.connect(path)) as connection:
        return pd.read_sql("SELECT * FROM readings", connection)


def _stored(path: Path) -> Arrays:
    """What the store has of the session."""
    with Store.open(path) as store:
        (session,) = store.sessions()
        frames = store.frames(session, verify=True)
    level = np.full(len(frames), np.nan)
    for mark in session.marks:
        level[mark.start : mark.stop] = mark.level_mm
    return {"counts": frames.counts.astype(np.int64), "t_ms": frames.t_ms, "level_mm": level}


def _columns(frame: pd.DataFrame) -> Arrays:
    """The arrays that both sides give, from a DataFrame."""
    return {
        "counts": frame[list(PADS)].to_numpy(),
        "t_ms": frame["t_ms"].to_numpy(),
        "level_mm": frame["level"].to_numpy(),
    }


def _same(one: Arrays, other: Arrays) -> bool:
    """Whether names, types and values are equal."""
    return one.keys() == other.keys() and all(
        one[name].dtype == other[name].dtype and np.array_equal(one[name], other[name]) for name in one
    )


def _size(path: Path) -> int:
    """Bytes of a database that nobody has open."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.stat().st_size


def _noise_share(plain: Path, frames: int) -> float:
    """The bytes that no packing of the counts goes below, over those of a plain table: log2(s sqrt(2 pi e))
    bits a count of normal noise (Shannon 1948).
    """
    return frames * CHANNELS * log2(CSV_NOISE * (2 * pi * e) ** 0.5) / 8 / plain.stat().st_size


def frozen_rows(folder: Path, quick: bool, demo: Callable[[], Path]) -> list[Row]:
    """Frozen sets into arrays: one long session, and many short ones."""
    long, file = folder / "long.db", folder / "long.csv"
    table(QUICK_FRAMES if quick else FRAMES).to_csv(file, index=False)
    with Store.open(long) as store:
        register(store)
    _log(long, file)
    with Store.open(long) as store:
        levels = sorted({f"{mark.level_mm:g}" for mark in store.sessions()[0].marks}, key=float)
        store.freeze(
            "all",
            store.sessions(),
            GroupBy.LEVEL,
            {name: Role.FIT if k % 2 else Role.PROVE for k, name in enumerate(levels)},
        )
    return [
        *_out_of(long, "all", "frozen-one", folder, quick, Goal(0.6, at_least=True)),
        *_out_of(demo(), "canister", "frozen-many", folder, quick, Goal(0.4, at_least=True)),
    ]


def _out_of(path: Path, name: str, row: str, folder: Path, quick: bool, cold: Goal) -> list[Row]:
    file = folder / f"{row}.parquet"
    with ExitStack() as stack:
        store = stack.enter_context(Store.open(path))
        data = store.frozen_data(store.frozen_set(name))
        pads = [f"p{k}" for k in range(data.counts.shape[1])]
        pd.DataFrame(
            {"t_ms": data.t_ms, **dict(zip(pads, data.counts.T, strict=True)), "level": data.level_mm}
        ).to_parquet(file)

        def arrays(_: Any) -> Arrays:
            frame = pd.read_parquet(file)
            return {
                "counts": frame[pads].to_numpy(),
                "t_ms": frame["t_ms"].to_numpy(),
                "level_mm": frame["level"].to_numpy(),
            }

        def asked(of: Store) -> FrozenData:
            return of.frozen_data(of.frozen_set(name))

        def asked_before() -> Store:
            asked(store)
            return store

        def opened(which: str) -> Store:
            os.environ["INNAGE_CACHE"] = str(folder / f"cache-{row}-{which}")
            return stack.enter_context(Store.open(path))

        def kept_before() -> Store:
            asked(opened("kept"))
            return opened("kept")

        copies = count()
        ways = {
            "cold": Way(asked, lambda: opened(f"{next(copies)}")),
            "warm": Way(asked, asked_before),
            "kept": Way(asked, kept_before),
            "arrays": Way(arrays),
        }
        before = os.environ.get("INNAGE_CACHE")
        try:
            runs = in_turns(ways, 1 if quick else ROUNDS)
        finally:
            os.environ.pop("INNAGE_CACHE")
            if before is not None:
                os.environ["INNAGE_CACHE"] = before
    sessions = len(data.frozen.sessions)
    what = f"frozen set to arrays, {sessions} session{'s' * (sessions > 1)}"
    return [
        timed_row(
            f"{row}-{how}",
            f"{what}, {told}",
            "pandas.read_parquet to the same arrays",
            "rows/s",
            (runs[how], runs["arrays"]),
            goal=goal,
            equal=_same(_of_set(runs[how].result), runs["arrays"].result),
            compared="time, counts and levels of every row",
        )
        for how, told, goal in (
            ("cold", "cold", cold),
            ("warm", "warm", Goal(1, at_least=True)),
            ("kept", "warm from a new process", Goal(1, at_least=True)),
        )
    ]


def _of_set(data: FrozenData) -> Arrays:
    return {"counts": data.counts, "t_ms": data.t_ms, "level_mm": data.level_mm}
