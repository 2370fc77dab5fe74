"""The reason of withholding: where a program has none of its own, in programs of format 1, and which of
several counts.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from dataset.errors import ProgramError
from training.program import (
    DOUBT,
    FAULT,
    GIVEN,
    OUTPUTS,
    RANGE,
    WITHHELD,
    Builder,
    Program,
    digest,
    from_json,
    run,
    to_json,
)

DATA = Path(__file__).parents[2] / "data" / "programs"
OLD = (DATA / "format_1.json").read_text()
KNOWN = json.loads((DATA / "format_1_readings.json").read_text())


def test_a_program_of_format_1_is_what_it_was() -> None:
    """Its digest, its text and its five outputs are those that were written down with the version before."""
    program = from_json(OLD)
    assert digest(program) == KNOWN["digest"]
    assert to_json(program) == OLD
    counts = np.asarray(KNOWN["counts"])
    readings = run(
        program,
        counts,
        np.full(len(counts), KNOWN["temperature"]),
        np.asarray(KNOWN["faults"]),
        np.asarray(KNOWN["trim"]),
    )
    assert readings.table()[:, :5].tolist() == KNOWN["readings"]
    assert set(program.outputs) == set(OUTPUTS)
    withheld = readings.validity == WITHHELD
    assert set(readings.reason[withheld].tolist()) == {DOUBT}
    assert set(readings.reason[~withheld].tolist()) == {GIVEN}


def test_a_format_1_program_keeps_clear_of_the_names_that_are_appended() -> None:
    """Every name that the appended nodes could take is taken: the program is read all the same."""
    body = json.loads(OLD)
    count = len(body["step"]) + len(body["prepare"]) + 40
    template = {
        "op": "const",
        "inputs": [],
        "attributes": {"values": [1]},
        "scale": "",
        "low": [1],
        "high": [1],
    }
    body["step"] += [template | {"name": f"reason_{k}"} for k in range(count)]
    program = from_json(json.dumps(body))
    assert json.loads(to_json(program)) == body


def test_format_2_has_a_reason_and_no_settling_flag() -> None:
    """A text of format 2 without the sixth output is refused, and so is one that says a flag of 16."""
    program = _program(flags=0)
    body = json.loads(to_json(program))
    assert body["format"] == 2
    del body["outputs"]["reason"]
    with pytest.raises(ProgramError, match="outputs"):
        from_json(json.dumps(body))
    with pytest.raises(ProgramError, match=r"output 'flags': can reach \[16, 16\]"):
        _program(flags=16)


@pytest.mark.parametrize(
    ("flags", "reason"),
    [(0, DOUBT), (3, DOUBT), (4, RANGE), (7, RANGE), (8, FAULT), (12, FAULT), (15, FAULT)],
)
def test_flags_give_the_reason_where_a_program_has_none(flags: int, reason: int) -> None:
    """A fault comes before a range, anything else is doubt; a given reading has none, whatever it flags."""
    program = _program(flags)
    withheld, given = run(program, np.asarray([[0], [200]])).reason
    assert (withheld, given) == (reason, GIVEN)


def _program(flags: int) -> Program:
    """Valid above a count of 100."""
    b = Builder("one", count_bits=8, channels=1, period_ms=100, span=640)
    zero = b.const(0)
    valid = b.node("greater", "counts", b.const(100))
    return b.finish(low=zero, level=zero, high=b.const(640), validity=valid, flags=b.const(flags))
