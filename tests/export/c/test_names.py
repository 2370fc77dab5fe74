"""Names in the C of what a program has only numbered."""

from __future__ import annotations

import re
from typing import Any

from export.c.names import readable
from export.c.source import emit_c
from training.program import Builder, Program, digest, model_id


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


def test_names_say_what_is_computed() -> None:
    """From the operation, from the output that reads it, from the net that it is a layer of; each once."""
    program = strip_of_pads()
    _, names = readable(program)
    assert {
        "counts_lowered",
        "shares_sum",
        "shares_change",
        "shares_change_size",
        "shares_change_sum",
        "level_features",
        "level_layer_1",
        "level_units_1",
        "level_layer_2",
        "is_foam",
        "is_not_dry",
        "foam_flag",
        "level_given",
        "low_given",
        "low_unlimited",
        "band_below",
    } <= set(names.values())
    given = [*names.values(), *(n.name for n in program.step if n.name not in names)]
    assert len(set(given)) == len(given)


def test_the_program_keeps_its_own() -> None:
    """Names are the C's alone: identity and model id are those of the program as it is."""
    program = strip_of_pads()
    before = digest(program)
    source = emit_c(program)
    assert digest(program) == before
    assert f"0x{model_id(program):08X}" in source.header
    assert digest(readable(program)[0]) != before


def test_no_number_is_left(all_built: dict[str, Any]) -> None:
    """In no sample's C is a value called by its number alone."""
    for name, sample in all_built.items():
        assert not re.search(r"\bv_v\d+\b", sample.c.source), name
    assert "v_shares_sum" in emit_c(strip_of_pads()).source
