"""Made-up capture sessions of a canister with pads one above the other; simulated, no claim about any real
one.
"""

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
    Surface,
    Tank,
    Trim,
    TrimKind,
    Unit,
    Wall,
)

SPAN_MM = 200.0


def canister(
    channels: int = 3,
    law: CountLaw = CountLaw.FALLS,
    units: int = 6,
    frames: int = 120,
    bits: int = 16,
    choose: int = 2,
    prove: int = 2,
    seed: int = 1,
) -> FrozenData:
    """Sessions of ``units`` units filled from empty to full; the last ``prove`` prove, ``choose`` before them
    choose.

    Each pad's capacitance rises by half as the liquid passes it; units differ by half a per cent, frames by
    noise.
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
        capacitance = (10.0 + 5.0 * wet) * (
            1.0 + 0.005 * draw.standard_normal(channels)
        ) + 0.005 * draw.standard_normal((frames, channels))
        full = float((1 << bits) - 1)
        count = capacitance / 20.0 * full if law is CountLaw.RISES else full * 8.0 / capacitance
        counts.append(np.rint(count).astype(np.int64))
        labels.append(level)
        sessions.append(
            Session(
                f"s{unit}",
                f"{unit:064d}",
                Unit(f"unit-{unit}"),
                Liquid("water"),
                mounting,
                frames,
                (),
                Source("made up", "0" * 64),
            )
        )
    fit = units - choose - prove
    roles = tuple(
        (f"unit-{k}", Role.FIT if k < fit else Role.CHOOSE if k < fit + choose else Role.PROVE)
        for k in range(units)
    )
    index = np.repeat(np.arange(units), frames)
    unknown = np.full(units * frames, np.nan)
    frozen = FrozenSet("made-up", "ab" * 32, GroupBy.UNIT, roles, tuple(sessions))
    clock = np.tile(np.arange(frames) * 100, units)
    frame = np.tile(np.arange(frames), units)
    whole = tuple(Frames(np.arange(frames) * 100, unit_counts.astype(np.uint32)) for unit_counts in counts)
    return FrozenData(
        frozen,
        np.concatenate(counts),
        clock,
        np.concatenate(labels),
        unknown,
        unknown,
        index,
        index,
        frame,
        np.zeros_like(frame),
        (Conditions(),),
        whole,
    )


def fingerprint(data: FrozenData) -> str:
    """Hashes of program, float ONNX and metrics of a training with all families."""
    from training.program import digest
    from training.search.context import SearchRequest
    from training.search.train import train

    trained = train(data, SearchRequest("m", seed=3))
    texts = (trained.float_onnx, json.dumps(trained.metrics.to_json(), sort_keys=True).encode())
    return " ".join([digest(trained.program), *(hashlib.sha256(text).hexdigest() for text in texts)])


@pytest.fixture(name="fingerprint")
def fingerprint_fixture() -> Callable[[FrozenData], str]:
    """The function that trains and hashes."""
    return fingerprint


@pytest.fixture(scope="session")
def made_up() -> Callable[..., FrozenData]:
    """The function that makes simulated sessions."""
    return canister


def strip(
    law: CountLaw = CountLaw.RISES,
    units: int = 10,
    frames: int = 60,
    choose: int = 2,
    calibrate: int = 0,
    prove: int = 2,
    seed: int = 3,
) -> FrozenData:
    """Six pads with dry and full trims: of each unit a filling, a filling with foam, a draining that leaves
    film, and a dry tank. Made up.

    Units differ by 5 % in gain and by a tenth of a swing in offset, so that untrimmed counts do not carry
    over.
    """
    draw = np.random.default_rng(seed)
    pads, span = 6, 120.0
    tank, mounting_sensor = (
        Tank("canister", 1, span),
        Sensor("strip", 1, tuple(Pad(k, f"p{k}", 20.0 * k, 16.0) for k in range(pads)), 16, law, 100),
    )
    mounting = Mounting("canister-strip", tank, mounting_sensor)
    still = Conditions(surface=(Surface.STILL,), wall=(Wall.CLEAN,))
    foam, film = (
        Conditions(surface=(Surface.FOAM,), wall=(Wall.CLEAN,)),
        Conditions(surface=(Surface.STILL,), wall=(Wall.FILM,)),
    )
    conditions = (Conditions(), still, foam, film)
    middle = 20.0 * np.arange(pads) + 8.0
    sessions, counts, levels, stated, trims = [], [], [], [], []

    def wet(level: np.ndarray) -> np.ndarray:
        return np.asarray(1.0 / (1.0 + np.exp(-(level[:, None] - middle) / 4.0)))

    for unit in range(units):
        gain, offset = 1 + 0.05 * draw.standard_normal(), 300 * draw.standard_normal(pads)
        this_unit = Unit(f"unit-{unit:02d}")

        def to_counts(share: np.ndarray, gain: float = gain, offset: np.ndarray = offset) -> np.ndarray:
            value = 1 + 0.15 * gain * share + offset / 20000
            noise = 3 * draw.standard_normal(share.shape)
            return np.rint((20000 * value if law is CountLaw.RISES else 40000 / value) + noise).astype(
                np.int64
            )

        for kind, under in ((TrimKind.DRY, 0.0), (TrimKind.FULL, 1.0)):
            trim_counts = np.rint(to_counts(np.full((20, pads), under)).mean(axis=0))
            digest = hashlib.sha256(f"{unit}{kind}".encode()).hexdigest()
            trims.append(
                Trim(
                    this_unit,
                    mounting,
                    kind,
                    tuple(int(v) for v in trim_counts),
                    "2026-01-01",
                    "line",
                    sha256=digest,
                )
            )
        for number, (condition, dry) in enumerate(((1, False), (2, False), (3, False), (1, True))):
            level = (
                np.zeros(frames)
                if dry
                else np.linspace(0.0, span, frames)[:: -1 if condition == 3 else 1].copy()
            )
            share = wet(level if not dry else level - 60)
            if condition == 2:
                share = np.maximum(
                    share, 0.6 * wet(level + 15) * (1 + 0.1 * draw.standard_normal(share.shape))
                )
            if condition == 3:
                share = np.maximum(share, 0.12)
            counts.append(to_counts(share))
            levels.append(level)
            stated.append(np.full(frames, condition))
            digest = hashlib.sha256(f"{unit}.{number}".encode()).hexdigest()
            sessions.append(
                Session(
                    digest[:12],
                    digest,
                    this_unit,
                    Liquid("water"),
                    mounting,
                    frames,
                    (),
                    Source("made up", "0" * 64),
                    simulated=True,
                )
            )
    counts_of = {0: Role.FIT, 1: Role.CHOOSE, 2: Role.CALIBRATE, 3: Role.PROVE}
    fit = units - choose - calibrate - prove
    role = [0] * fit + [1] * choose + [2] * calibrate + [3] * prove
    roles = tuple((f"unit-{k:02d}", counts_of[role[k]]) for k in range(units))
    session = np.repeat(np.arange(len(sessions)), frames)
    frozen = FrozenSet(
        "strip",
        "cd" * 32,
        GroupBy.UNIT,
        roles,
        tuple(sessions),
        trims=tuple(sorted(trims, key=lambda t: t.sha256)),
    )
    clock = np.tile(np.arange(frames) * 100, len(sessions))
    whole = tuple(Frames(np.arange(frames) * 100, c.astype(np.uint32)) for c in counts)
    nothing = np.full(len(session), np.nan)
    return FrozenData(
        frozen,
        np.concatenate(counts),
        clock,
        np.concatenate(levels),
        np.full(len(session), 0.3),
        nothing,
        session,
        session // 4,
        np.tile(np.arange(frames), len(sessions)),
        np.concatenate(stated),
        conditions,
        whole,
    )


@pytest.fixture(scope="session")
def make_strip() -> Callable[..., FrozenData]:
    """Made-up captures of six pads with trims; see ``strip``."""
    return strip
