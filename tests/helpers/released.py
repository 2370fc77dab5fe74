"""A store whose models could be let out, and their bundles: one that passes every gate, one without limits,
and one whose limit is not met.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat
from onnx import TensorProto, helper

from building import WATER, bench_store
from dataset.records import (
    Budget,
    CountLaw,
    Frames,
    GroupBy,
    Limit,
    Limits,
    Mark,
    Model,
    Pad,
    Role,
    Sensor,
    Session,
    Tank,
    Trim,
    TrimKind,
)
from dataset.store import Store
from innage import BundleOptions, export
from training.judging.figures import AnsweredLimit
from training.program import Builder, Program, digest, to_json

UNITS = {"u1": Role.FIT, "u2": Role.CHOOSE, "u3": Role.CALIBRATE, "u4": Role.PROVE}
LEVELS = (10.0, 60.0)  # mm, each for half of a session


def program_of(name: str, span: int = 6400) -> Program:
    """One channel less its dry count: a count is 1/64 mm."""
    b = Builder(name, count_bits=12, channels=1, period_ms=100, span=span, trim_range=(10, 500))
    dry = b.prepare_node("clip", "trim", low=0, high=4095, name="dry", keep=True)
    last = b.state("last", (0,), (0,), (6400,))
    level = b.node("clip", b.node("sub", "counts", dry), low=0, high=6400)
    b.renew(last, level)
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


def float_model() -> bytes:
    """A float ONNX model from a count and a trim to one number."""
    ends = [
        helper.make_tensor_value_info("counts_and_trim", TensorProto.FLOAT, [None, 2]),
        helper.make_tensor_value_info("level_mm", TensorProto.FLOAT, [None, 1]),
    ]
    weights = helper.make_tensor("weights", TensorProto.FLOAT, [2, 1], [1 / 64, -1 / 64])
    node = helper.make_node("MatMul", ["counts_and_trim", "weights"], ["level_mm"])
    graph = helper.make_graph([node], "float", ends[:1], ends[1:], [weights])
    made = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 18)], ir_version=8)
    return bytes(made.SerializeToString())


def fill(store: Store) -> dict[str, Model]:
    """The models by name: 'good' keeps its limit, 'bare' has none, 'bad' does not keep its own."""
    rng = np.random.default_rng(1)
    bench = bench_store(
        store,
        tank=Tank("canister", 0, 100.0),
        sensor=Sensor("one-pad", 0, (Pad(0, "pad0", 0.0, 100.0),), 12, CountLaw.RISES, 100),
        liquid=WATER,
        unit=tuple(UNITS),
    )
    store.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
    sessions = list[Session]()
    for k, unit in enumerate(bench.units):
        counts = np.repeat([64 * level + 200 + k for level in LEVELS], 200) + rng.normal(0, 3, 400)
        frames = Frames(np.arange(400, dtype=np.int64) * 100, np.rint(counts).astype(np.uint32)[:, None])
        marks = (Mark(0, 200, LEVELS[0]), Mark(200, 400, LEVELS[1]))
        sessions += store.add_sessions([bench.session(k, marks, unit=unit, frames=frames)])
        store.add_trim(Trim(unit, bench.mounting, TrimKind.DRY, (200 + k,), "2026-01-31", "line"))
    frozen = store.freeze("monday", sessions, GroupBy.UNIT, UNITS)
    kept = store.add_limits(Limits("owner", 0, (Limit("rmse_mm", 0.9),)))
    broken = store.add_limits(Limits("strict", 0, (Limit("rmse_mm", 0.001),)))
    models = {}
    for name, limits, answer in (("good", kept, "met"), ("bare", None, ""), ("bad", broken, "not met")):
        program = program_of(name)
        said = (
            [AnsweredLimit("rmse_mm", "all", limits.rows[0].bound, None, 1, 0.05, answer, "")]
            if limits
            else []
        )
        metrics = json.dumps({"limits": [row.to_json() for row in said]})
        model = Model(
            name, digest(program), frozen, limits, "{}", "{}", metrics, to_json(program), float_model()
        )
        models[name] = store.add_model(model)
    return models


def export_all(store: Store, folder: Path) -> None:
    """The bundle of each model in a folder of its name."""
    options = BundleOptions()
    export(store, "good", "roomy", folder / "good", options=options)
    export(store, "bare", "roomy", folder / "bare", options=replace(options, even_if_unproven=True))
    export(store, "bad", "roomy", folder / "bad", options=options, anyway=True)


@dataclass(frozen=True)
class Released:
    """A folder with the store, ``innage.db``, and a bundle's folder for each model."""

    folder: Path

    def store(self, into: Path) -> Path:
        """A copy of the store."""
        return Path(shutil.copy(self.folder / "innage.db", into / "innage.db"))


def make(folder: Path) -> Released:
    """Fill a new store in ``folder``, and export its models there."""
    with Store.open(folder / "innage.db") as store:
        fill(store)
        export_all(store, folder)
    return Released(folder)


def write_key(folder: Path, name: str = "team", mode: int = 0o600) -> tuple[Path, Path]:
    """A new key as openssl writes it: the private and the public file."""
    key = Ed25519PrivateKey.generate()
    private, public = folder / f"{name}.key", folder / f"{name}.pub"
    private.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    private.chmod(mode)
    public.write_bytes(key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo))
    return private, public
