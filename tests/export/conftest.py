"""Programs that the export tests share: small, and between them using every operation."""

from __future__ import annotations

import pytest

from training.program import Builder, Program, running_range


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
