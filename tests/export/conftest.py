"""Programs that the export tests share: small, and between them using every operation."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper

from dataset.records import (
    Budget,
    CountLaw,
    FrozenSet,
    GroupBy,
    Limit,
    Limits,
    Liquid,
    Mark,
    Model,
    Mounting,
    Pad,
    Role,
    Sensor,
    Session,
    Source,
    Tank,
    Unit,
)  # fmt: skip
from export.bundle import build_bundle
from export.manifest import Provenance
from training.costs import Cost
from training.program import Builder, Program, digest, running_range, to_json


def _every_op() -> Program:
    """Four 12-bit channels with trim; each of the operations at least once, two states, prepared reciprocals."""
    b = Builder("every_op", count_bits=12, channels=4, period_ms=100, span=6400, settling_frames=3, trim_range=(100, 4000), notes={"tank": "demo@1"})
    top = b.prepare_node("const", values=(1 << 20,))
    swing = b.prepare_node("max", "trim", b.prepare_node("const", values=(256,)))
    b.prepare_node("divide", top, swing, name="reciprocal", keep=True, scale="2^20 / count")
    b.prepare_node("take", "trim", indices=(0, 3), name="ends", keep=True)

    scaled = b.node("mul", b.node("clip", "counts", low=0, high=2000), b.node("shift", "reciprocal", shift=6))
    pads = b.node("clip", b.node("shift", scaled, shift=4), low=0, high=2047, name="pads")
    first = b.node("take", pads, indices=(0,))
    moved = b.node("sub", pads, first)
    dense = b.node("dense", moved, weights=((3, -2, 0, 5), (-1, 7, -4, 2), (0, 0, 1, -1)), bias=(-100, 0, 77), name="hidden")
    active = b.node("max", dense, b.const(0))
    share = b.node("ratio", active, b.node("add", first, b.const(1)), floor=8, bits=10)
    bent = b.node("hinge", share, knots=(0, 10, 400, 1000), values=(-50, 0, 900), slopes=(13, -7, 21), shift=3)
    trees = b.node(
        "trees", b.node("concat", pads, "temperature", b.const(5, -5)), name="forest",
        roots=(0, 5), feature=(0, 4, 0, 0, 0, 3, 0, 0), threshold=(900, 250, 4095, 4095, 4095, 17, 4095, 4095),
        child=(1, 3, 2, 3, 4, 6, 6, 7), value=(0, 0, 40, -300, 250, 0, 12, -13), depth=2,
    )  # fmt: skip
    low, high = running_range(0, 2047, 3)
    b.state("sum", (0,), (low,), (high,))
    b.state("frames", (0,), (0,), (3,))
    total = b.node("running", first, "sum", shift=3)
    age = b.node("lookup", "frames", table=(1, 2, 3, 3))
    level = b.node("add", b.node("add", b.node("shift", total, shift=3), b.node("reduce_max", bent)), b.node("abs", trees))
    raw = b.node("add", level, b.node("mul", b.node("argmax", pads), b.const(37)))
    level = b.node("clip", raw, low=0, high=6400, scale="1/64 mm")
    faulty = b.node("greater", "faults", b.const(0))
    withheld = b.node("max", faulty, b.node("greater", b.const(3), "frames"))
    b.renew("sum", total)
    b.renew("frames", age)
    return b.finish(
        low=b.node("where", withheld, b.const(0), level), level=b.node("where", withheld, b.const(-1), level),
        high=b.node("where", withheld, b.const(6400), level), validity=b.node("sub", b.const(1), withheld),
        flags=b.node("add", b.node("mul", faulty, b.const(8)), b.node("mul", b.node("greater", b.const(3), "frames"), b.const(16))),
    )  # fmt: skip


def _constant() -> Program:
    """Outputs that depend on no input: one row of constants must become one row a stream."""
    b = Builder("constant", count_bits=8, channels=1, period_ms=1000, span=640)
    return b.finish(low=b.const(0), level=b.const(-1), high=b.const(640), validity=b.const(0), flags=b.const(4))


def _single_channel() -> Program:
    """One 16-bit channel through a hinge, neither state nor trim: the smallest useful model."""
    b = Builder("single_channel", count_bits=16, channels=1, period_ms=2051, span=6400)
    level = b.node("hinge", "counts", knots=(20000, 30000, 45000, 60000), values=(6400, 4000, 900), slopes=(-123, -106, -31), shift=9)
    level = b.node("clip", level, low=0, high=6400, scale="1/64 mm")
    low, high = b.node("sub", level, b.const(64)), b.node("add", level, b.const(64))
    one = b.const(1)
    return b.finish(
        low=b.node("clip", low, low=0, high=6400), level=level, high=b.node("clip", high, low=0, high=6400), validity=one, flags=b.const(0),
    )  # fmt: skip


_SAMPLES = {"every_op": _every_op, "constant": _constant, "single_channel": _single_channel}


@pytest.fixture(params=sorted(_SAMPLES))
def sample(request: pytest.FixtureRequest) -> Program:
    """Each sample program in turn."""
    return _SAMPLES[request.param]()


@pytest.fixture(scope="session")
def samples() -> dict[str, Program]:
    """The sample programs by name."""
    return {name: make() for name, make in _SAMPLES.items()}


def float_model(channels: int) -> bytes:
    """A float ONNX model that makes a level of counts; any will do where only its place in the bundle matters."""
    weights = numpy_helper.from_array(np.full((channels, 1), 0.001, dtype=np.float32), "weights")
    graph = helper.make_graph(
        [helper.make_node("MatMul", ["counts", "weights"], ["level_mm"])], "float",
        [helper.make_tensor_value_info("counts", TensorProto.FLOAT, [None, channels])],
        [helper.make_tensor_value_info("level_mm", TensorProto.FLOAT, [None, 1])], [weights],
    )  # fmt: skip
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 21)], ir_version=10)
    onnx.checker.check_model(model)
    return bytes(model.SerializeToString(deterministic=True))


@pytest.fixture(scope="session")
def float_onnx() -> Callable[[int], bytes]:
    """Makes a float model for a number of channels."""
    return float_model


METRICS = {
    "chosen": {"family": "hinge", "size": 4, "bits": 8},
    "candidates": [{"family": "hinge", "size": 4, "bits": 8, "choose": {"integer": {"rmse_mm": 0.8}}, "cost": {"cycles": 420}, "meets": True}],
    "prove": {
        "integer": {"rmse_mm": 0.81, "worst_group_rmse_mm": 1.5, "p95_abs_mm": 1.6, "withheld_share": 0.02, "groups": 9, "frames": 377},
        "float": {"rmse_mm": 0.83},
        "by_group": [{"group": "10", "level_mm": 10.0, "rmse_mm": 0.5, "bias_mm": -0.4}, {"group": "60", "level_mm": 60.0, "rmse_mm": 1.5, "bias_mm": 1.2}],
        "beyond": {"frames": 40, "accepted_share": 0.0},
    },
    "random_rows": {"integer": {"rmse_mm": 0.37}},
    "limits": [{"metric": "rmse_mm", "condition": "all", "bound": 0.9, "value": 0.81, "answer": "met", "reason": ""}],
    "band": {"given": False, "reason": "a 90 % band needs 9 calibrate groups, there are 0"},
    "openings": 1,
}


def provenance_of(program: Program, void: str | None = None) -> Provenance:
    """Records such as a store would hold them, made up around ``program``."""
    tank, pads = Tank("canister", 2, program.span / 64), tuple(Pad(k, f"pad{k}", 20.0 * k, 18.0) for k in range(program.channels))
    sensor = Sensor("strip", 1, pads, program.count_bits, CountLaw.RISES, program.period_ms)
    source = Source("monday.csv", "ab" * 32)
    session = Session("5e55104a", "5e55104a" * 8, Unit("unit-1"), Liquid("water"), Mounting("bench", tank, sensor), 400, (Mark(0, 400, 10.0),), source)
    frozen = FrozenSet("monday", "f0" * 32, GroupBy.LEVEL, (("10", Role.FIT), ("60", Role.PROVE)), (session,))
    limits = Limits("owner", 3, (Limit("rmse_mm", 0.9),))
    record = Model(
        program.name, digest(program), frozen, limits, json.dumps({"family": "hinge"}), json.dumps({"numpy": np.__version__}), json.dumps(METRICS),
        to_json(program), float_model(program.channels),
    )  # fmt: skip
    cost = Cost("cortex-m0plus", 400, 80, 0, 36, 64, 420, 390.5)
    budget = Budget("small", "cortex-m0plus", 1, 1536, 128, 256, 2000)
    return Provenance("0.1.0", record, budget, cost, () if void is None else ((session.id, void),))


@pytest.fixture
def provenance(sample: Program) -> Provenance:
    """Where the sample program is said to come from."""
    return provenance_of(sample)


@pytest.fixture(scope="session")
def small_bundle() -> dict[str, bytes]:
    """A bundle of the program with every operation, with few vectors, so that it is verified quickly."""
    program = _every_op()
    return build_bundle(program, float_model(program.channels), provenance_of(program), vectors=64)


@pytest.fixture(scope="session")
def whole_bundle() -> dict[str, bytes]:
    """A bundle of the program with every operation, as an export writes it."""
    program = _every_op()
    return build_bundle(program, float_model(program.channels), provenance_of(program))


@pytest.fixture(scope="session")
def provenance_for() -> Callable[..., Provenance]:
    """Makes up records around a program; see ``provenance_of``."""
    return provenance_of
