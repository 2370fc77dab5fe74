"""What pages presume: files that they show, the canister and strip that they speak of, sessions of these."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from bundles import stand_in_onnx

from building import WATER, bench_store
from dataset.records import (
    CountLaw,
    Frames,
    GroupBy,
    Limit,
    Limits,
    Liquid,
    Mark,
    Model,
    Mounting,
    NewSession,
    Pad,
    Role,
    Sensor,
    Source,
    Tank,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store
from training.program import digest, to_json
from training.program.builder import Builder

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


def two_models(path: Path, frozen: str = "set", limits: str = "owner") -> None:
    """Models 'first' and 'second' of a strip of three pads that take a dry trim, on units u0 to u7; the names
    of the set and of the limits that they are made from.
    """
    with Store.open(path) as store:
        mounting, liquid, units = a_bench(store, pads=3, units=[f"u{k}" for k in range(8)])
        for unit in units:
            store.add_trim(
                Trim(unit, mounting, TrimKind.DRY, (1000, 1000, 1000), "2026-01-31", "end-of-line")
            )
        sessions = store.add_sessions([a_session(unit, liquid, mounting, k) for k, unit in enumerate(units)])
        roles = {f"u{k}": Role.FIT if k < 2 else Role.CHOOSE if k < 5 else Role.PROVE for k in range(8)}
        made_from = store.freeze(frozen, sessions, GroupBy.UNIT, roles)
        to_meet = store.add_limits(Limits(limits, 0, (Limit("p95_abs_mm", 2.0),)))
        for name, off in (("first", 32), ("second", 16)):
            b = Builder(name, count_bits=16, channels=3, period_ms=100, span=6400, trim_range=(0, 2000))
            dry = b.prepare_node("clip", "trim", low=0, high=2000, name="dry", keep=True)
            rise = b.node("dense", b.node("sub", "counts", dry), weights=((1, 1, 1),), bias=(off,))
            level = b.node("clip", rise, low=0, high=6400, scale="1/64 mm")
            made = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
            store.add_model(
                Model(
                    name, digest(made), made_from, to_meet, "{}", "{}", "{}", to_json(made), stand_in_onnx(3)
                )
            )
