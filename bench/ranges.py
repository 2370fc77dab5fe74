"""How much of each interval is used: dense layers of drawn nets, driven to their ends, beside what ordinary
vectors reach.

    python bench/ranges.py

``driven`` is the share of an element's interval that inputs were found for (mean and least over the
elements), ``vectors`` that of the vectors that go into a bundle. 1.00 is a bound that is reached; below, the
interval may be wider than what can happen, or the search may have missed it. Every input found also runs
through the checking twin of the C, which would stop at an overflow.
"""

from __future__ import annotations

import numpy as np
from extremes import drive
from net_program import net_program

from export.c.source import emit_c
from export.compilers.twin import build_together
from export.evidence.drawing import make_vectors
from export.onnx.run import state_before
from training.program import Builder, Program
from training.program.interpreter import trace

FRAMES = 8


def plain_net(seed: int = 5) -> Program:
    """Eight counts, each for itself shifted into a net of 16, 8 and 1: features that do not depend on one
    another.
    """
    rng = np.random.default_rng(seed)
    b = Builder("plain", count_bits=12, channels=8, period_ms=100, span=12800)
    x = b.node("shift", b.node("sub", "counts", b.const(2048)), shift=4)
    for k, rows in enumerate((16, 8, 1)):
        weights = tuple(
            tuple(int(w) for w in row) for row in rng.integers(-127, 128, (rows, b.interval(x).size))
        )
        x = b.node(
            "dense",
            x,
            weights=weights,
            bias=tuple(int(v) for v in rng.integers(-9000, 9001, rows)),
            name=f"layer{k}",
        )
        if rows > 1:
            x = b.node("clip", b.node("shift", x, shift=8), low=0, high=127)
    level = b.node("clip", b.node("shift", x, shift=2), low=0, high=12800)
    return b.finish(low=b.const(0), level=level, high=b.const(12800), validity=b.const(1), flags=b.const(0))


def main() -> None:
    print(
        f"{'program':10} {'layer':10} {'sums':>4} {'widest interval':>24} {'driven mean':>11} "
        f"{'least':>6} {'vectors mean':>12}"
    )
    for title, program in (
        ("plain", plain_net()),
        ("one hidden", net_program()),
        ("two hidden", net_program((16,))),
    ):
        twin = build_together([emit_c(program)])
        ordinary = make_vectors(program)
        for node in program.step:
            if node.op != "dense":
                continue
            driven = drive(program, node.name, FRAMES if program.states else 1)
            readings, _ = twin.run("innage", driven.vectors)
            assert np.array_equal(readings, driven.vectors.readings)
            _, seen = trace(
                program,
                ordinary.counts,
                ordinary.temperature,
                ordinary.faults,
                state_before(program, ordinary),
                ordinary.prepared,
                (node.name,),
            )
            width = np.maximum(np.subtract(node.interval.high, node.interval.low), 1)
            ranged = np.ptp(seen[node.name], axis=0) / width
            span = f"[{min(node.interval.low)}, {max(node.interval.high)}]"
            print(
                f"{title:10} {node.name:10} {node.size:4} {span:>24} {np.mean(driven.used):11.2f} "
                f"{min(driven.used):6.2f} {ranged.mean():12.2f}"
            )


if __name__ == "__main__":
    main()
