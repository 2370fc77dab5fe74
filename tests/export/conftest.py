"""What the export tests share: sample programs with records around them, their bundles, and each of them
compiled once.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from importlib.metadata import version

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper
from programs import PROGRAMS, SAMPLES, every_op, expose
from reports import a_cost

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
)
from export.bundle.build import build_bundle
from export.bundle.manifest import Provenance
from export.c.source import CSource, emit_c
from export.compilers.core_build import build_core
from export.compilers.host_build import build_host, run_host
from export.compilers.image import Image
from export.core.emulator import EmulatedRun, Machine
from export.evidence.drawing import draw, make_vectors
from export.evidence.excerpts import Excerpt, Excerpts
from export.vectors import Vectors
from training.costs import Cost
from training.program import Array, Program, digest, to_json


@pytest.fixture(params=sorted(SAMPLES))
def sample(request: pytest.FixtureRequest) -> Program:
    """Each sample program in turn."""
    return SAMPLES[request.param]()


@pytest.fixture(scope="session")
def samples() -> dict[str, Program]:
    """The sample programs by name."""
    return {name: make() for name, make in SAMPLES.items()}


def float_model(channels: int) -> bytes:
    """A float ONNX model that makes a level of counts; any will do where only its place in the bundle
    matters.
    """
    weights = numpy_helper.from_array(np.full((channels, 1), 0.001, dtype=np.float32), "weights")
    graph = helper.make_graph(
        [helper.make_node("MatMul", ["counts", "weights"], ["level_mm"])],
        "float",
        [helper.make_tensor_value_info("counts", TensorProto.FLOAT, [None, channels])],
        [helper.make_tensor_value_info("level_mm", TensorProto.FLOAT, [None, 1])],
        [weights],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 21)], ir_version=10)
    onnx.checker.check_model(model)
    return bytes(model.SerializeToString(deterministic=True))


@pytest.fixture(scope="session")
def float_onnx() -> Callable[[int], bytes]:
    """Makes a float model for a number of channels."""
    return float_model


METRICS = {
    "chosen": {"family": "hinge", "size": 4, "bits": 8},
    "candidates": [
        {
            "family": "hinge",
            "size": 4,
            "bits": 8,
            "choose": {"integer": {"rmse_mm": 0.8}},
            "cost": a_cost(1200, 420),
            "meets": True,
        }
    ],
    "prove": {
        "integer": {
            "rmse_mm": 0.81,
            "worst_group_rmse_mm": 1.5,
            "p95_abs_mm": 1.6,
            "withheld_share": 0.02,
            "groups": 9,
            "frames": 377,
        },
        "float": {"rmse_mm": 0.83},
        "by_group": [
            {"group": group, "level_mm": level, "frames": 40, "accepted": 39, "beyond": 0, **errors}
            for group, level, errors in (
                ("10", 10.0, {"rmse_mm": 0.5, "bias_mm": -0.4}),
                ("60", 60.0, {"rmse_mm": 1.5, "bias_mm": 1.2}),
            )
        ],
        "beyond": {"frames": 40, "accepted_share": 0.0, "groups": 1},
    },
    "random_rows": {"integer": {"rmse_mm": 0.37}},
    "limits": [
        {
            "metric": "rmse_mm",
            "condition": "all",
            "min_groups": 1,
            "bound": 0.9,
            "value": 0.81,
            "answer": "met",
            "reason": "",
        }
    ],
    "band": {"given": False, "reason": "a 90 % band needs 9 calibrate groups, there are 0"},
    "openings": 1,
}


def provenance_of(program: Program, void: str | None = None) -> Provenance:
    """Records such as a store would hold them, made up around ``program``."""
    tank, pads = (
        Tank("canister", 2, program.span / 64),
        tuple(Pad(k, f"pad{k}", 20.0 * k, 18.0) for k in range(program.channels)),
    )
    sensor = Sensor("strip", 1, pads, program.count_bits, CountLaw.RISES, program.period_ms)
    source = Source("monday.csv", "ab" * 32)
    session = Session(
        "5e55104a",
        "5e55104a" * 8,
        Unit("unit-1"),
        Liquid("water"),
        Mounting("bench", tank, sensor),
        400,
        (Mark(0, 400, 10.0),),
        source,
    )
    frozen = FrozenSet("monday", "f0" * 32, GroupBy.LEVEL, (("10", Role.FIT), ("60", Role.PROVE)), (session,))
    limits = Limits("owner", 3, (Limit("rmse_mm", 0.9),))
    record = Model(
        program.name,
        digest(program),
        frozen,
        limits,
        json.dumps({"family": "hinge"}),
        json.dumps({"numpy": np.__version__}),
        json.dumps(METRICS),
        to_json(program),
        float_model(program.channels),
    )
    cost = Cost("cortex-m0plus", 400, 80, 0, 36, 64, 420, 390.5)
    budget = Budget("small", "cortex-m0plus", 1, 1536, 128, 256, 2000)
    return Provenance(version("innage"), record, budget, cost, () if void is None else ((session.id, void),))


@pytest.fixture
def provenance(sample: Program) -> Provenance:
    """Where the sample program is said to come from."""
    return provenance_of(sample)


@pytest.fixture(scope="session")
def small_bundle() -> dict[str, bytes]:
    """A bundle of the program with every operation, with few vectors, so that it is verified quickly."""
    program = every_op()
    return build_bundle(program, float_model(program.channels), provenance_of(program), vectors=64)


@pytest.fixture(scope="session")
def whole_bundle() -> dict[str, bytes]:
    """A bundle of the program with every operation, as an export writes it."""
    program = every_op()
    return build_bundle(program, float_model(program.channels), provenance_of(program))


@pytest.fixture(scope="session")
def sessions_bundle() -> dict[str, bytes]:
    """A small bundle half of whose streams are said to be taken of a session."""
    program = SAMPLES["single_channel"]()
    provenance, streams = provenance_of(program), draw(program, 96, 3).streams.take(slice(0, 12))
    session = provenance.model.frozen.sessions[0].sha256
    places = tuple(Excerpt(session, k * streams.frames, streams.frames, ()) for k in range(len(streams)))
    given = Excerpts(places, streams)
    return build_bundle(program, float_model(program.channels), provenance, vectors=192, given=given)


@pytest.fixture(scope="session")
def provenance_for() -> Callable[..., Provenance]:
    """Makes up records around a program; see ``provenance_of``."""
    return provenance_of


# What the C side shares: each program compiled once a session


@dataclass(frozen=True)
class Built:
    """One program with everything made from it; each step is done when first asked for."""

    program: Program

    @cached_property
    def c(self) -> CSource:
        return emit_c(self.program)

    @cached_property
    def image(self) -> Image:
        return build_core(self.c)

    @cached_property
    def vectors(self) -> Vectors:
        return make_vectors(self.program, 1000, seed=7)

    @cached_property
    def on_core(self) -> EmulatedRun:
        return Machine(self.image).run(self.vectors)

    @cached_property
    def on_host(self) -> tuple[Array, Array]:
        return run_host(build_host(self.c), self.vectors)


_SHARED = ("every_op", "constant", "single_channel")  # those without a C side of their own


@pytest.fixture(scope="session")
def all_built(samples: dict[str, Program]) -> dict[str, Built]:
    """Every sample program by name."""
    by_name = {name: Built(make()) for name, make in PROGRAMS.items()}
    return by_name | {name: Built(samples[name]) for name in _SHARED}


@pytest.fixture(params=[*PROGRAMS, *_SHARED])
def built(request: pytest.FixtureRequest, all_built: dict[str, Built]) -> Built:
    """Each sample program in turn."""
    return all_built[request.param]


@pytest.fixture(scope="session")
def exposed() -> Callable[..., Program]:
    """Finishes a builder so that given values become the state."""
    return expose
