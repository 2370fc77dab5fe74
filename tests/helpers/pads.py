"""A small model as a pad array has it."""

from __future__ import annotations

from training.program import Builder, Program


def strip_of_pads() -> Program:
    """Shares, their sum and change, a small net, flags, a band: as a pad array has them."""
    b = Builder("named", count_bits=12, channels=3, period_ms=100, span=6400)
    shares = b.node("clip", b.node("sub", "counts", b.const(500)), low=-100, high=3000, name="shares")
    b.state("shares_before", (0,) * 3, (-100,) * 3, (3000,) * 3)
    b.renew("shares_before", shares)
    total = b.node("dense", shares, weights=((1, 1, 1),), bias=(0,))
    change = b.node("abs", b.node("sub", shares, "shares_before"))
    changes = b.node("dense", change, weights=((1, 1, 1),), bias=(0,))
    x = b.node("concat", shares, total, changes)
    for rows, columns in ((4, 5), (1, 4)):
        x = b.node("dense", x, weights=(tuple(range(1, columns + 1)),) * rows, bias=(5,) * rows)
        x = b.node("shift", x, shift=4, name="" if rows > 1 else "level_raw")
        x = b.node("clip", x, low=0, high=1000) if rows > 1 else x
    foam = b.node("take", shares, indices=(2,), name="foam")
    high = b.node("greater", foam, b.const(90))
    dry = b.node("greater", b.const(20), total, name="is_dry")
    withheld = b.node("greater", "faults", b.const(0), name="is_withheld")
    flag = b.node("mul", high, b.node("sub", b.const(1), dry))
    level = b.node("where", dry, b.const(0), b.node("clip", x, low=0, high=6400))
    low = b.node(
        "clip", b.node("sub", level, b.node("where", flag, b.const(9), b.const(7))), low=0, high=6400
    )
    return b.finish(
        low=b.node("where", withheld, b.const(0), low, name="low"),
        level=b.node("where", withheld, b.const(-1), level, name="level"),
        high=b.const(6400),
        validity=b.node("sub", b.const(1), withheld, name="validity"),
        flags=b.node("dense", b.node("concat", flag, withheld), weights=((1, 8),), bias=(0,), name="flags"),
    )
