"""What pages presume: files that they show, the canister and strip that they speak of, sessions of these."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from building import WATER, bench_store
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

DOCS = Path(__file__).parents[2] / "docs"


def write_shown(page: str, heading: str, path: Path) -> None:
    """Write the file that a page shows as a block that begins with ``heading``."""
    block = re.search(
        rf"^(    {re.escape(heading)}.*\n(?:    .*\n)+)",
        (DOCS / page).read_text(encoding="utf-8"),
        re.MULTILINE,
    )
    assert block is not None
    path.write_text(re.sub("^    ", "", block.group(1), flags=re.MULTILINE), encoding="utf-8")


def a_bench(store: Store, pads: int, units: Sequence[str]) -> tuple[Mounting, Liquid, list[Unit]]:
    """The canister, strip and water that pages speak of, with units."""
    high = 100.0 / pads
    strip = tuple(Pad(k, f"p{k}", k * high, high) for k in range(pads))
    bench = bench_store(
        store,
        tank=Tank("canister", 0, 100.0),
        sensor=Sensor("strip", 0, strip, 16, CountLaw.RISES, 100),
        liquid=WATER,
        unit=units,
        mounting="front",
    )
    return bench.mounting, bench.liquid, [*bench.units]


def a_session(
    unit: Unit, liquid: Liquid, mounting: Mounting, number: int, warm_c: float | None = None
) -> NewSession:
    """Ten marks of ten frames on the way up: each pad rises by 64 counts for a millimetre; invented."""
    level = np.repeat(np.arange(0.0, 100.0, 10.0), 10)
    wet = np.stack([np.clip(level - pad.bottom_mm, 0, pad.height_mm) for pad in mounting.sensor.pads], axis=1)
    counts = (1000 + 64 * wet + number).astype(np.uint32)
    frames = Frames(np.arange(100) * 100, counts, None if warm_c is None else np.full(100, warm_c))
    marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 * k) for k in range(10))
    return NewSession(unit, liquid, mounting, frames, marks, Source(f"{number}.csv", f"{number:064d}"))
