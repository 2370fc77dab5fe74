"""Programs that the export tests share: small, and between them using every operation and every way
to write it in C.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from training.program import Builder, Interval, Program, running_range


def every_op() -> Program:
    """Four 12-bit channels with trim; each of the operations at least once, two states, prepared
    reciprocals.
    """
    b = Builder(
        "every_op",
        count_bits=12,
        channels=4,
        period_ms=100,
        span=6400,
        settling_frames=3,
        trim_range=(100, 4000),
        notes={"tank": "demo@1"},
    )
    top = b.prepare_node("const", values=(1 << 20,))
    swing = b.prepare_node("max", "trim", b.prepare_node("const", values=(256,)))
    b.prepare_node("divide", top, swing, name="reciprocal", keep=True, scale="2^20 / count")
    b.prepare_node("take", "trim", indices=(0, 3), name="ends", keep=True)

    scaled = b.node("mul", b.node("clip", "counts", low=0, high=2000), b.node("shift", "reciprocal", shift=6))
    pads = b.node("clip", b.node("shift", scaled, shift=4), low=0, high=2047, name="pads")
    first = b.node("take", pads, indices=(0,))
    moved = b.node("sub", pads, first)
    dense = b.node(
        "dense",
        moved,
        weights=((3, -2, 0, 5), (-1, 7, -4, 2), (0, 0, 1, -1)),
        bias=(-100, 0, 77),
        name="hidden",
    )
    active = b.node("max", dense, b.const(0))
    share = b.node("ratio", active, b.node("add", first, b.const(1)), floor=8, bits=10)
    bent = b.node(
        "hinge", share, knots=(0, 10, 400, 1000), values=(-50, 0, 900), slopes=(13, -7, 21), shift=3
    )
    trees = b.node(
        "trees",
        b.node("concat", pads, "temperature", b.const(5, -5)),
        name="forest",
        roots=(0, 5),
        feature=(0, 4, 0, 0, 0, 3, 0, 0),
        threshold=(900, 250, 4095, 4095, 4095, 17, 4095, 4095),
        child=(1, 3, 2, 3, 4, 6, 6, 7),
        value=(0, 0, 40, -300, 250, 0, 12, -13),
        depth=2,
    )
    low, high = running_range(0, 2047, 3)
    b.state("sum", (0,), (low,), (high,))
    b.state("frames", (0,), (0,), (3,))
    total = b.node("running", first, "sum", shift=3)
    age = b.node("lookup", "frames", table=(1, 2, 3, 3))
    level = b.node(
        "add",
        b.node("add", b.node("shift", total, shift=3), b.node("reduce_max", bent)),
        b.node("abs", trees),
    )
    raw = b.node("add", level, b.node("mul", b.node("argmax", pads), b.const(37)))
    level = b.node("clip", raw, low=0, high=6400, scale="1/64 mm")
    faulty = b.node("greater", "faults", b.const(0))
    withheld = b.node("max", faulty, b.node("greater", b.const(3), "frames"))
    b.renew("sum", total)
    b.renew("frames", age)
    return b.finish(
        low=b.node("where", withheld, b.const(0), level),
        level=b.node("where", withheld, b.const(-1), level),
        high=b.node("where", withheld, b.const(6400), level),
        validity=b.node("sub", b.const(1), withheld),
        flags=b.node("mul", faulty, b.const(8)),
    )


def constant() -> Program:
    """Outputs that depend on no input: one row of constants must become one row a stream."""
    b = Builder("constant", count_bits=8, channels=1, period_ms=1000, span=640)
    return b.finish(
        low=b.const(0), level=b.const(-1), high=b.const(640), validity=b.const(0), flags=b.const(4)
    )


def single_channel() -> Program:
    """One 16-bit channel through a hinge, neither state nor trim: the smallest useful model."""
    b = Builder("single_channel", count_bits=16, channels=1, period_ms=2051, span=6400)
    level = b.node(
        "hinge",
        "counts",
        knots=(20000, 30000, 45000, 60000),
        values=(6400, 4000, 900),
        slopes=(-123, -106, -31),
        shift=9,
    )
    level = b.node("clip", level, low=0, high=6400, scale="1/64 mm")
    low, high = b.node("sub", level, b.const(64)), b.node("add", level, b.const(64))
    one = b.const(1)
    return b.finish(
        low=b.node("clip", low, low=0, high=6400),
        level=level,
        high=b.node("clip", high, low=0, high=6400),
        validity=one,
        flags=b.const(0),
    )


def expose(builder: Builder, *values: str) -> Program:
    """Finish a program whose next state is ``values``, so that a test sees whole integers and not only a
    level.
    """
    for k, value in enumerate(values):
        span = builder.interval(value)
        builder.state(f"seen{k}", span.low, span.low, span.high)
        builder.renew(f"seen{k}", value)
    zero = builder.const(0)
    return builder.finish(low=zero, level=zero, high=zero, validity=zero, flags=zero)


def _level_outputs(b: Builder, level: str, bad: str, flags: str, span: int) -> dict[str, str]:
    """A band of two millimetres about ``level``, withheld where ``bad``."""
    low = b.node("clip", b.node("sub", level, b.const(128)), low=0, high=span)
    high = b.node("clip", b.node("add", level, b.const(128)), low=0, high=span)
    return {
        "low": b.node("where", bad, b.const(0), low),
        "level": b.node("where", bad, b.const(-1), level),
        "high": b.node("where", bad, b.const(span), high),
        "validity": b.node("where", bad, b.const(0), b.const(1)),
        "flags": flags,
    }


def inverse_law() -> Program:
    """One relaxation frequency (count law 1/C): reciprocal, 16 segments, out-of-range flag. The smallest
    model one would ship.
    """
    b = Builder(
        "inverse_law",
        count_bits=16,
        channels=1,
        period_ms=2051,
        span=6400,
        notes={"tank": "canister@1", "sensor": "strip@1"},
    )
    inverse = b.node(
        "divide", b.const(1 << 29), b.node("clip", "counts", low=5000, high=60000), scale="2^29 / count"
    )
    knots = [int(v) for v in np.linspace(8947, 107374, 17)]
    values = [int(6400 * (k / 16) ** 0.8) for k in range(17)]
    slopes = [((values[k + 1] - values[k]) << 12) // (knots[k + 1] - knots[k]) for k in range(16)]
    level = b.node(
        "hinge", inverse, knots=tuple(knots), values=tuple(values[:-1]), slopes=tuple(slopes), shift=12
    )
    level = b.node("clip", level, low=0, high=6400, scale="1/64 mm", name="level")
    outside = b.node(
        "max",
        b.node("greater", "counts", b.const(60000)),
        b.node("greater", b.const(5000), "counts"),
        name="outside",
    )
    bad = b.node("max", outside, b.node("greater", "faults", b.const(0)))
    return b.finish(**_level_outputs(b, level, bad, b.node("mul", outside, b.const(4)), 6400))


def strip() -> Program:
    """Eight 12-bit pads with trim: prepared reciprocals, running means, a net of two layers, rows handed on
    between states.
    """
    rng = np.random.default_rng(3)
    b = Builder(
        "strip",
        count_bits=12,
        channels=8,
        period_ms=100,
        span=12800,
        settling_frames=4,
        trim_range=(200, 3900),
    )
    swing = b.prepare_node("sub", b.prepare_node("const", values=(4095,)), "trim")
    b.prepare_node(
        "divide",
        b.prepare_node("const", values=(1 << 18,)),
        swing,
        name="gain",
        keep=True,
        scale="2^18 / count",
    )
    b.prepare_node("reduce_max", swing, name="widest", keep=True)
    b.prepare_node("clip", "trim", low=0, high=4095, name="dry", keep=True)
    b.prepare_node("const", values=(7, -3, 9), name="row", keep=True)
    risen = b.node("clip", b.node("sub", "counts", "dry"), low=-64, high=1023)
    share = b.node(
        "clip", b.node("shift", b.node("mul", risen, "gain"), shift=8), low=-256, high=1023, name="share"
    )
    low, high = running_range(-256, 1023, 2)
    b.state("smooth", (0,) * 8, (low,) * 8, (high,) * 8)
    b.state("before", (1, 2, 3, 4, 5, 6, 7, 8), (low,) * 8, (high,) * 8)
    b.state("age", (0,), (0,), (4,))
    mean = b.node("running", share, "smooth", shift=2)
    b.renew("smooth", mean)
    b.renew("before", "smooth")
    b.renew("age", b.node("clip", b.node("add", "age", b.const(1)), low=0, high=4))
    moved = b.node("abs", b.node("sub", mean, "before"))
    restless = b.node("greater", b.node("reduce_max", moved), b.const(900))
    pads = b.node("take", b.node("shift", mean, shift=2), indices=(7, 1, 6, 3, 0, 5, 2, 4))
    pairs = b.node(
        "sub",
        b.node("take", pads, indices=(1, 2, 3, 4, 5, 6, 7)),
        b.node("take", pads, indices=(0, 1, 2, 3, 4, 5, 6)),
    )
    features = b.node("concat", pads, pairs, "temperature", "row", "widest")
    weights = tuple(tuple(int(v) for v in row) for row in rng.integers(-90, 91, size=(6, 20)))
    hidden = b.node(
        "shift", b.node("dense", features, weights=weights, bias=(100, -2000, 3, 0, 70000, -5)), shift=6
    )
    hidden = b.node("clip", hidden, low=0, high=4095)
    level = b.node("dense", hidden, weights=((5, -3, 7, 11, -2, 1),), bias=(640,))
    level = b.node("clip", b.node("shift", level, shift=3), low=0, high=12800, scale="1/64 mm")
    settling = b.node("greater", b.const(3), "age")
    bad = b.node("max", settling, b.node("greater", "faults", b.const(0)))
    return b.finish(**_level_outputs(b, level, bad, restless, 12800))


def two_nets() -> Program:
    """Layers with shift and clip on halves and on bytes, one of them of seven columns, fed by rows that are
    joined in place.
    """
    rng = np.random.default_rng(11)

    def layer(x: str, rows: int, low: int, high: int) -> str:
        weights = tuple(
            tuple(int(v) for v in row) for row in rng.integers(-127, 128, size=(rows, b.interval(x).size))
        )
        total = b.node(
            "dense", x, weights=weights, bias=tuple(int(v) for v in rng.integers(-9000, 9000, rows))
        )
        return b.node("clip", b.node("shift", total, shift=8), low=low, high=high)

    b = Builder("two_nets", count_bits=10, channels=4, period_ms=100, span=6400)
    pads = b.node("sub", "counts", b.const(500))
    steps = b.node(
        "shift",
        b.node("sub", b.node("take", pads, indices=(1, 2, 3)), b.node("take", pads, indices=(0, 1, 2))),
        shift=3,
    )
    joined = b.node("concat", pads, steps)
    first = layer(joined, 6, 0, 127)
    second = layer(first, 7, -100, 100)
    third = layer(second, 3, 0, 200)
    other = layer(joined, 3, 0, 127)
    level = b.node(
        "clip",
        b.node("add", b.node("reduce_max", third), b.node("mul", b.node("reduce_max", other), b.const(40))),
        low=0,
        high=6400,
    )
    bad = b.node("greater", "faults", b.const(0))
    return b.finish(**_level_outputs(b, level, bad, b.node("argmax", third), 6400))


def forest() -> Program:
    """Three 10-bit channels into six small trees, and one tree on a single value."""
    rng = np.random.default_rng(5)
    b = Builder("forest", count_bits=10, channels=3, period_ms=50, span=6400)
    feature: list[int] = []
    threshold: list[int] = []
    child: list[int] = []
    value: list[int] = []
    roots: list[int] = []
    for _ in range(6):
        roots.append(len(child))
        start = len(child)
        feature += [*(int(f) for f in rng.integers(0, 4, 3)), 0, 0, 0, 0]
        threshold += [*(int(t) for t in rng.integers(100, 900, 3)), *([2**31 - 1] * 4)]
        child += [start + 1, start + 3, start + 5, *range(start + 3, start + 7)]
        value += [0, 0, 0, *(int(v) for v in rng.integers(-700, 1900, 4))]
    x = b.node("concat", "counts", "temperature")
    trees = b.node(
        "trees",
        x,
        roots=tuple(roots),
        feature=tuple(feature),
        threshold=tuple(threshold),
        child=tuple(child),
        value=tuple(value),
        depth=3,
    )
    level = b.node("clip", trees, low=0, high=6400)
    stump = b.node(
        "trees",
        "temperature",
        roots=(0,),
        feature=(0,) * 3,
        threshold=(250, 2000, 2000),
        child=(1, 1, 2),
        value=(0, 3, 0),
        depth=1,
    )
    bad = b.node("greater", "faults", b.const(0))
    return b.finish(**_level_outputs(b, level, bad, stump, 6400))


def wide() -> Program:
    """Two 24-bit channels, a trim of two kinds with a range for each count, two rows of state that change
    places, rows of constants.
    """
    b = Builder(
        "wide",
        count_bits=24,
        channels=2,
        period_ms=1000,
        span=640,
        trim_range=Interval((10, 0, 0, 5), (1000, 9_000_000, 16_777_215, 70)),
        trim_kinds=("dry", "full"),
        swing=Interval((-900, -9_000_000), (16_776_300, 60)),
    )
    low, high = (b.prepare_node("take", "trim", indices=at) for at in ((0, 1), (3, 2)))
    b.prepare_node("sub", high, low, name="between", keep=True)
    b.state("left", (5, -5), (-9, -9), (9, 9))
    b.state("right", (1, 2), (-9, -9), (9, 9))
    b.state("one", (3,), (0,), (7,))
    b.state("other", (4,), (0,), (7,))
    for this, that in (("left", "right"), ("right", "left"), ("one", "other"), ("other", "one")):
        b.renew(this, that)
    small = b.node("shift", "counts", shift=12)
    offset = b.node("add", b.node("add", small, b.node("shift", "between", shift=14)), b.const(-2000, 17))
    larger = b.node("max", offset, b.const(0, 40))
    both = b.node("where", b.node("greater", larger, b.const(100)), larger, "left")
    table = b.node("lookup", b.node("add", both, b.node("abs", "right")), table=(9, -1, 300, 70000, 5, 6, 8))
    share = b.node(
        "ratio", b.node("take", offset, indices=(0,)), b.node("take", offset, indices=(1,)), floor=3, bits=9
    )
    tail = b.node("take", b.node("concat", table, offset, share), indices=(2, 3, 4))
    mixed = b.node("dense", tail, weights=((1, 2, 3), (-4, 5, -6)), bias=(0, 7))
    level = b.node(
        "add",
        b.node("mul", b.node("argmax", mixed), b.const(100)),
        b.node("greater", b.node("reduce_max", table), b.const(8)),
    )
    level = b.node("add", level, b.node("max", "one", b.node("shift", share, shift=4)))
    bent = b.node("hinge", mixed, knots=(-9000, 9000), values=(3,), slopes=(2,), shift=14)
    level = b.node("clip", b.node("add", level, b.node("reduce_max", bent)), low=0, high=640)
    return b.finish(
        **_level_outputs(b, level, b.node("greater", "faults", b.const(1)), b.node("argmax", "right"), 640)
    )


def told() -> Program:
    """Two 12-bit channels and the seconds since the last pour: whether they are known, and how recent it was,
    beside what the channels say; the longest that counts is 90 s.
    """
    b = Builder("told", count_bits=12, channels=2, period_ms=500, span=6400, longest_pour_s=90)
    known = b.node("greater", "since_pour", b.const(-1), name="is_known")
    seconds = b.node("clip", "since_pour", low=0, high=90)
    recent = b.node("ratio", b.const(20), b.node("add", seconds, b.const(20)), floor=1, bits=12)
    recent = b.node("mul", recent, known, name="recent", scale="1/4096")
    seen = b.node("concat", "counts", recent, b.node("mul", known, b.const(4096)))
    score = b.node("dense", seen, weights=((-3, 2, 5, -1),), bias=(9000,))
    foam = b.node("greater", b.node("shift", score, shift=2), b.const(4000), name="foam")
    b.state("poured", (0,), (0,), (4096,))
    b.renew("poured", recent)
    level = b.node("dense", "counts", weights=((1, 1),), bias=(0,))
    level = b.node("add", level, b.node("where", foam, b.const(-700), b.node("shift", "poured", shift=9)))
    level = b.node("clip", level, low=0, high=6400, scale="1/64 mm")
    bad = b.node("greater", "faults", b.const(0))
    return b.finish(**_level_outputs(b, level, bad, foam, 6400))


SAMPLES: dict[str, Callable[[], Program]] = {
    "every_op": every_op,
    "constant": constant,
    "single_channel": single_channel,
}
PROGRAMS: dict[str, Callable[[], Program]] = {
    "inverse_law": inverse_law,
    "strip": strip,
    "two_nets": two_nets,
    "forest": forest,
    "wide": wide,
    "told": told,
}
