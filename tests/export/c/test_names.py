"""Names in the C of what a program has only numbered."""

from __future__ import annotations

import re
from typing import Any

from pads import strip_of_pads

from export.c.source import emit_c
from export.c.step.names import readable
from training.program import digest, model_id


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
