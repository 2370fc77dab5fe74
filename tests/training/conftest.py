"""Made-up capture sessions of a canister with pads one above the other; simulated, no claim about any real one."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable

import numpy as np
import pytest

from dataset.records import (
    Conditions,
    CountLaw,
    Frames,
    FrozenData,
    FrozenSet,
    GroupBy,
    Liquid,
    Mounting,
    Pad,
    Role,
    Sensor,
    Session,
    Source,
    Tank,
    Unit,
)

SPAN_MM = 200.0


def canister(
    channels: int = 3, law: CountLaw = CountLaw.FALLS, units: int = 6, frames: int = 120, bits: int = 16, choose: int = 2, prove: int = 2, seed: int = 1
) -> FrozenData:
    """Sessions of ``units`` units filled from empty to full; the last ``prove`` prove, ``choose`` before them choose.

    Each pad's capacitance rises by half as the liquid passes it; units differ by half a per cent, frames by noise.
    """
    draw = np.random.default_rng(seed)
    pitch = SPAN_MM / channels
    pads = tuple(Pad(k, f"pad{k}", k * pitch, pitch) for k in range(channels))
    tank, sensor = Tank("canister", 1, SPAN_MM), Sensor("strip", 1, pads, bits, law, 100)
    mounting = Mounting("canister-strip", tank, sensor)
    sessions, counts, labels = [], [], []
    for unit in range(units):
        level = np.linspace(0.0, SPAN_MM, frames)
        wet = 1.0 / (1.0 + np.exp(-(level[:, None] - (np.arange(channels) + 0.5) * pitch) * 3.0 / pitch))
        capacitance = (10.0 + 5.0 * wet) * (1.0 + 0.005 * draw.standard_normal(channels)) + 0.005 * draw.standard_normal((frames, channels))
        full = float((1 << bits) - 1)
        count = capacitance / 20.0 * full if law is CountLaw.RISES else full * 8.0 / capacitance
        counts.append(np.rint(count).astype(np.int64))
        labels.append(level)
        sessions.append(Session(f"s{unit}", f"{unit:064d}", Unit(f"unit-{unit}"), Liquid("water"), mounting, frames, (), Source("made up", "0" * 64)))
    fit = units - choose - prove
    roles = tuple((f"unit-{k}", Role.FIT if k < fit else Role.CHOOSE if k < fit + choose else Role.PROVE) for k in range(units))
    index = np.repeat(np.arange(units), frames)
    unknown = np.full(units * frames, np.nan)
    frozen = FrozenSet("made-up", "ab" * 32, GroupBy.UNIT, roles, tuple(sessions))
    clock = np.tile(np.arange(frames) * 100, units)
    frame = np.tile(np.arange(frames), units)
    whole = tuple(Frames(np.arange(frames) * 100, its.astype(np.uint32)) for its in counts)
    return FrozenData(
        frozen, np.concatenate(counts), clock, np.concatenate(labels), unknown, unknown, index, index, frame, np.zeros_like(frame), (Conditions(),), whole
    )


def fingerprint(data: FrozenData) -> str:
    """Hashes of program, float ONNX and metrics of a training with all families."""
    from training.program import digest
    from training.train import train

    made = train(data, name="m", limits=None, budget=None, cost=None, seed=3)
    texts = (made.float_onnx, json.dumps(made.metrics, sort_keys=True).encode())
    return " ".join([digest(made.program), *(hashlib.sha256(text).hexdigest() for text in texts)])


@pytest.fixture(name="fingerprint")
def fingerprint_fixture() -> Callable[[FrozenData], str]:
    """The function that trains and hashes."""
    return fingerprint


@pytest.fixture(scope="session")
def made_up() -> Callable[..., FrozenData]:
    """The function that makes simulated sessions."""
    return canister
