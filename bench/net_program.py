"""A program as the export must carry it: eight pads with a two-point trim, two nets, thresholds, validity and
flags. Weights are drawn, not trained.
"""

from __future__ import annotations

import numpy as np

from training.program import Builder, Interval, Program, running_range

PADS, SPAN = 8, 12800  # a tank of 200 mm


def net_program(hidden: tuple[int, ...] = (12,), seed: int = 5) -> Program:
    """Pads and neighbour differences, levels of the first through running means, into a level net and a net
    of four scores.
    """
    drawn = np.random.default_rng(seed)
    b = Builder(
        "canister",
        count_bits=16,
        channels=PADS,
        period_ms=100,
        span=SPAN,
        settling_frames=8,
        trim_kinds=("dry", "full"),
        trim_range=Interval((2000,) * PADS + (4000,) * PADS, (30000,) * PADS + (60000,) * PADS),
    )
    _prepare(b)
    pads = _pads(b)
    features = _features(b, pads)
    level = _net(b, features, (*hidden, 12, 1), drawn, "level")
    scores = _net(b, features, (8, 4), drawn, "score")
    return _outputs(b, level, scores)


def _prepare(b: Builder) -> None:
    """The dry counts, and 2^24 over each swing."""
    dry = b.prepare_node("take", "trim", indices=tuple(range(PADS)), name="dry", keep=True)
    full = b.prepare_node("take", "trim", indices=tuple(range(PADS, 2 * PADS)))
    swing = b.prepare_node("max", b.prepare_node("sub", full, dry), b.prepare_node("const", values=(1024,)))
    b.prepare_node(
        "divide",
        b.prepare_node("const", values=(1 << 24,)),
        swing,
        name="reciprocal",
        keep=True,
        scale="2^24 / swing",
    )


def _pads(b: Builder) -> str:
    """Each pad's share of its swing, 512 for all of it."""
    moved = b.node("clip", b.node("sub", "counts", "dry"), low=-8192, high=65535)
    scaled = b.node("mul", b.node("shift", moved, shift=2), b.node("shift", "reciprocal", shift=1))
    return b.node(
        "clip", b.node("shift", scaled, shift=12), low=-255, high=1023, name="pads", scale="swing/512"
    )


def _features(b: Builder, pads: str) -> str:
    """Shares of the wettest pad, differences of neighbours, and a running mean."""
    wettest = b.node("reduce_max", pads)
    shares = b.node("ratio", pads, wettest, floor=32, bits=7, name="shares")
    steps = b.node(
        "sub",
        b.node("take", pads, indices=tuple(range(1, PADS))),
        b.node("take", pads, indices=tuple(range(PADS - 1))),
    )
    steps = b.node("clip", b.node("shift", steps, shift=2), low=-127, high=127, name="steps")
    low, high = running_range(-255, 1023, 3)
    b.state("sum", (0,), (low,), (high,))
    total = b.node("running", wettest, "sum", shift=3)
    b.renew("sum", total)
    mean = b.node("clip", b.node("shift", total, shift=5), low=-127, high=127)
    return b.node("concat", shares, steps, mean, name="features")


def _net(b: Builder, x: str, sizes: tuple[int, ...], drawn: np.random.Generator, name: str) -> str:
    for k, outputs in enumerate(sizes):
        inputs = b.interval(x).size
        weights = tuple(tuple(int(w) for w in row) for row in drawn.integers(-127, 128, (outputs, inputs)))
        bias = tuple(int(v) for v in drawn.integers(-9000, 9001, outputs))
        x = b.node("dense", x, weights=weights, bias=bias, name=f"{name}{k}")
        if k < len(sizes) - 1:
            x = b.node("clip", b.node("shift", x, shift=9), low=0, high=127)
    return x


def _outputs(b: Builder, level: str, scores: str) -> Program:
    """Thresholds on the scores, a table that says what becomes of the level, and a band by score."""
    wanted = b.node(
        "clip",
        b.node("add", b.node("shift", level, shift=4), b.const(SPAN // 2)),
        low=0,
        high=SPAN,
        name="wanted",
        scale="1/64 mm",
    )
    flags = [
        b.node("greater", b.node("take", scores, indices=(k,)), b.const(2000 + 500 * k)) for k in range(4)
    ]
    broken = b.node("greater", "faults", b.const(0))
    b.state("frames", (0,), (0,), (8,))
    b.renew("frames", b.node("clip", b.node("add", "frames", b.const(1)), low=0, high=8))
    settling = b.node("greater", b.const(8), "frames")
    code = b.const(0)
    for weight, flag in zip((1, 2, 4, 8), (flags[1], flags[2], flags[3], broken), strict=True):
        code = b.node("add", code, b.node("mul", flag, b.const(weight)))
    withheld = b.node(
        "max", b.node("lookup", code, table=tuple(int(c >= 4 or c == 3) for c in range(16))), flags[0]
    )
    withheld = b.node("max", withheld, settling)
    empty = b.node("greater", b.const(192), wanted)
    low, high = (
        b.node("clip", b.node("sub", wanted, b.const(256)), low=0, high=SPAN),
        b.node("clip", b.node("add", wanted, b.const(256)), low=0, high=SPAN),
    )
    return b.finish(
        low=b.node("where", withheld, b.const(0), low),
        level=b.node("where", withheld, b.const(-1), wanted),
        high=b.node("where", withheld, b.const(SPAN), high),
        validity=b.node("where", withheld, b.const(0), b.node("add", empty, b.const(1))),
        flags=code,
    )
