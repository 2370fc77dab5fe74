"""The interface as firmware meets it: what is refused, what is left alone, and the self-test."""

from __future__ import annotations

import re
import struct
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from programs import PROGRAMS

from dataset.errors import ToolError
from export.c.source import emit_c
from export.compilers.core_build import build_core
from export.core.emulator import Machine
from training.program import (
    FAULT,
    FLAG_BITS,
    NO_LEVEL,
    NO_TEMPERATURE,
    VALID,
    WITHHELD,
    initial_state,
    model_id,
    prepare,
    step,
)


def ready(its: Any) -> Machine:
    """A machine after power-on, on the trim of the first vector."""
    machine = Machine(its.image)
    machine.run(its.vectors.head(1))
    return machine


def reading(machine: Machine) -> list[int]:
    content = machine.object("reading")
    return [*np.frombuffer(content[:12], dtype="<i4").tolist(), *content[12:15]]


@pytest.mark.longer
@pytest.mark.parametrize(
    ("counts", "temperature", "faults"),
    [
        ([4096, 900, 900, 900], NO_TEMPERATURE, 0),
        ([900, 900, 900, 65535], NO_TEMPERATURE, 0),
        ([900, 900, 900, 900], -1001, 0),
        ([900, 900, 900, 900], 2001, 0),
        ([900, 900, 900, 900], 20, 16),
        ([900, 900, 900, 900], 20, 2**31),
    ],
)
def test_inputs_outside_the_domain_are_withheld(
    all_built: dict[str, Any], counts: list[int], temperature: int, faults: int
) -> None:
    """A count too wide, an impossible temperature, an unknown fault bit: withheld, sensor fault, state as it
    was.
    """
    its = all_built["every_op"]
    machine = ready(its)
    before = machine.object("state")
    assert machine.step(np.array(counts), temperature, faults) == WITHHELD
    assert reading(machine) == [0, NO_LEVEL, its.program.span, WITHHELD, FLAG_BITS["sensor_fault"], FAULT]
    assert machine.object("state") == before
    machine.step(np.array([900] * 4), 20, 0)
    assert machine.object("state") != before  # so the state would have shown a frame that was taken


def test_ends_of_the_domain_are_taken(all_built: dict[str, Any]) -> None:
    """The largest count, both ends of the temperature and every fault bit are inputs like any other: the
    state moves on.
    """
    machine = ready(all_built["every_op"])
    for counts, temperature, faults in (([4095] * 4, -1000, 0), ([0] * 4, 2000, 0), ([4095] * 4, 20, 15)):
        before = machine.object("state")
        machine.step(np.array(counts), temperature, faults)
        assert machine.object("state") != before


@pytest.mark.longer
def test_a_pour_that_cannot_be_is_withheld(all_built: dict[str, Any]) -> None:
    """Of a model that is told: seconds below what says that they are not known. Both ends of the domain are
    taken; the state is how recent the pour was.
    """
    its = all_built["told"]
    machine, counts = ready(its), np.array([900, 900])
    kept = []
    for seconds, validity in (
        (0, VALID),
        (-2, WITHHELD),
        (-(2**31), WITHHELD),
        (2**31 - 1, VALID),
        (-1, VALID),
    ):
        assert machine.step(counts, NO_TEMPERATURE, 0, seconds) == validity
        kept += its.c.layout.state.table(machine.object("state"))[0].tolist()
    assert kept == [4096, 4096, 4096, 744, 0]


@pytest.mark.parametrize(
    ("trim", "accepted"),
    [
        ((10, 0, 0, 5), True),
        ((1000, 9_000_000, 16_777_215, 70), True),
        ((9, 0, 0, 5), False),
        ((1001, 0, 0, 5), False),
        ((500, 9_000_001, 0, 5), False),
        ((500, 0, 0, 4), False),
        ((500, 0, 0, 71), False),
    ],
)
def test_trims_outside_their_limits_are_refused(
    all_built: dict[str, Any], trim: tuple[int, ...], accepted: bool
) -> None:
    """Each count of a trim, kind after kind, is held against its own limits, the ends included."""
    assert Machine(all_built["wide"].image).prepare(np.array(trim)) is accepted


def test_a_refused_trim_writes_nothing(all_built: dict[str, Any]) -> None:
    """Prepared values stay as they were when the trim is refused or missing."""
    machine = Machine(all_built["strip"].image)
    before = machine.object("prepared")
    assert not machine.prepare(np.array([200] * 7 + [3901]))
    assert not machine.prepare(np.array([], dtype=np.int64))
    assert machine.object("prepared") == before
    assert machine.prepare(np.array([200] * 7 + [3900]))
    assert machine.object("prepared") != before


def test_prepared_values_are_those_of_the_interpreter(all_built: dict[str, Any]) -> None:
    """What prepare writes is what the interpreter prepares, value by value."""
    its = all_built["strip"]
    machine = Machine(its.image)
    # each as narrow as its range
    kept = np.dtype(
        [("check", "<u4", 1), ("gain", "<u2", 8), ("widest", "<u2", 1), ("dry", "<u2", 8), ("row", "i1", 3)],
        align=True,
    )
    for k in range(0, 80, its.vectors.stream_frames):
        assert machine.prepare(its.vectors.trim[k])
        (found,) = np.frombuffer(machine.object("prepared"), dtype=kept)
        np.testing.assert_array_equal(
            np.concatenate([found[name] for name in (kept.names or ())[1:]]), its.vectors.prepared[k]
        )


def test_models_without_trim_take_null(all_built: dict[str, Any]) -> None:
    """A model that uses no trim accepts a null pointer."""
    assert Machine(all_built["inverse_law"].image).prepare(np.array([], dtype=np.int64))


def test_versions_at_run_time(built: Any) -> None:
    """The chip can tell which model it runs: the first 32 bits of the program's SHA-256."""
    machine = Machine(built.image)
    assert machine.call("model_id") == model_id(built.program)
    assert machine.call("api_version") == 3


def test_tables_start_is_where_the_tables_are(built: Any) -> None:
    """The address handed to the firmware's own memory test is that of the tables."""
    assert Machine(built.image).call("tables_start") == built.image.symbols["innage_tables"]


def test_every_flipped_bit_of_the_tables_is_found(all_built: dict[str, Any]) -> None:
    """The self-test says no for each single damaged bit, and yes again when it is put right."""
    its = all_built["wide"]
    machine = Machine(its.image)
    assert its.image.layout.tables.size > 0
    for byte in range(its.image.layout.tables.size):
        for bit in range(8):
            machine.flip(byte, bit)
            assert not machine.selftest(), f"byte {byte}, bit {bit}"
            machine.flip(byte, bit)
    assert machine.selftest()


@pytest.mark.parametrize("name", ["strip", "every_op", "inverse_law"])
def test_memory_that_the_model_did_not_set_up_is_withheld(all_built: dict[str, Any], name: str) -> None:
    """Without init or without prepare, and with a word of another model: withheld, sensor fault, and the
    state stays.
    """
    its, counts = all_built[name], all_built[name].vectors.counts[0]
    machine = Machine(its.image)
    for ready_state in (
        False,
        True,
    ):  # neither, then the state alone: the prepared values are still what memory held
        if ready_state:
            machine.call("init", machine._objects["state"][0])
        before = machine.object("state")
        assert machine.step(counts, 20, 0) == WITHHELD
        assert reading(machine) == [0, NO_LEVEL, its.program.span, WITHHELD, FLAG_BITS["sensor_fault"], FAULT]
        assert machine.object("state") == before
    machine.prepare(its.vectors.trim[0])
    machine.step(counts, 20, 0)
    assert reading(machine) == in_interpreter(its)
    machine._write("state", struct.pack("<I", model_id(its.program) ^ 1))
    assert machine.step(counts, 20, 0) == WITHHELD
    assert reading(machine)[4:] == [FLAG_BITS["sensor_fault"], FAULT]


def in_interpreter(its: Any) -> list[int]:
    """The reading of the first frame of the vectors, at 2.0 degrees and without faults."""
    prepared = prepare(its.program, its.vectors.trim[:1] if its.program.trim is not None else None)
    found, _ = step(
        its.program,
        its.vectors.counts[:1],
        np.array([20]),
        np.array([0]),
        initial_state(its.program, 1),
        prepared,
    )
    return [int(v) for v in found.table()[0]]


def test_a_run_stops_when_a_trim_is_refused(all_built: dict[str, Any]) -> None:
    """Vectors whose trim the model refuses end in an error, not in readings."""
    its = all_built["strip"]
    spoilt = replace(its.vectors.head(1), trim=np.full_like(its.vectors.head(1).trim, 4000))
    with pytest.raises(ToolError, match="refuses the trim"):
        Machine(its.image).run(spoilt)


def test_an_init_that_leaves_something_out_is_noticed() -> None:
    """The memory of the self-test is 0 before its first run, as many states are at power-on."""
    source = emit_c(PROGRAMS["strip"]())
    head, body = source.source.split("innage_init(innage_state_t *state)", 1)
    zero = re.search(r"\n +state->\w+(\[k\])? = 0;", body[: body.index("\n}\n")])
    assert zero is not None
    without = head + "innage_init(innage_state_t *state)" + body.replace(zero[0], "", 1)
    assert Machine(build_core(source)).sliced_selftest(1_000_000)
    assert not Machine(build_core(replace(source, source=without))).sliced_selftest(1_000_000)
