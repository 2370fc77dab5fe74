"""The self-test in slices: it ends, stays within its slice, finds damage, and leaves alone what is in use."""

from __future__ import annotations

import struct
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from export.c.extras import LEANEST
from export.compilers.core_build import build_core, compile_model, link_model
from export.core.emulator import Machine
from export.evidence.known_answer import known_answer
from training.program import VALID, WITHHELD

BAD, OK, RUNNING = 0, 1, 2
PLACE = 0x2200_0000


def started(machine: Machine) -> None:
    """Memory of its own for a test, and the test begun in it, on the scratch that step uses."""
    machine._uc.mem_map(PLACE, 0x1000)
    machine.call("selftest_init", PLACE, machine._objects["scratch"][0])


def answers(machine: Machine, size: int, most: int = 100_000) -> list[int]:
    """What each slice answers, up to the first that is not RUNNING."""
    found: list[int] = []
    while len(found) < most and (not found or found[-1] == RUNNING):
        found.append(machine.call("selftest_slice", PLACE, size) & 0xFF)
    return found


@pytest.mark.longer
@pytest.mark.parametrize("size", [1, 64, 2**32 - 1])
def test_slices_end_with_yes(built: Any, size: int) -> None:
    """Every sample passes: one slice for each piece of the tables, one to set up, two for each frame of the
    known answer; then the answer stays.
    """
    machine = Machine(built.image)
    started(machine)
    frames = len(known_answer(built.program).readings)
    found = answers(machine, size)
    assert found == [RUNNING] * (-(-built.image.layout.tables.size // size) + 2 * frames) + [OK]
    assert machine.call("selftest_slice", PLACE, size) & 0xFF == OK


def test_every_flipped_bit_ends_with_no(all_built: dict[str, Any]) -> None:
    """Any damaged bit of the tables ends the test before a frame is tried, and a new test passes when it is
    put right.
    """
    its = all_built["wide"]
    machine = Machine(its.image)
    started(machine)
    length = its.image.layout.tables.size
    for byte in range(length):
        machine.flip(byte, byte % 8)
        machine.call("selftest_init", PLACE, machine._objects["scratch"][0])
        assert answers(machine, 50) == [RUNNING] * (-(-length // 50) - 1) + [BAD]
        machine.flip(byte, byte % 8)
    machine.call("selftest_init", PLACE, machine._objects["scratch"][0])
    assert answers(machine, 50)[-1] == OK


def test_flipped_bits_of_the_known_answers_inputs_end_with_no(all_built: dict[str, Any]) -> None:
    """Its trim and its counts stand apart from the tables; any damaged bit of them makes the last slice say
    no, also where the reading stays the same.
    """
    its = all_built["strip"]
    machine = Machine(its.image)
    started(machine)
    inputs = set(its.image.constants)
    start = its.image.symbols["innage_tables"]
    inputs -= set(range(start, start + its.image.layout.tables.size))
    known = known_answer(its.program)
    assert len(inputs) >= 2 * (len(known.trim) + sum(map(len, known.rows)))
    damaged = []
    for address in sorted(inputs)[::5]:
        machine.turn(address, address % 8)
        machine.call("selftest_init", PLACE, machine._objects["scratch"][0])
        damaged.append(answers(machine, 2**16)[-1])
        machine.turn(address, address % 8)
    assert set(damaged) == {BAD}


def test_without_the_self_test_its_inputs_are_not_linked(all_built: dict[str, Any]) -> None:
    """With the self-test the linker leaves out the trim and the counts of its known answer too."""
    its = all_built["strip"]
    known = known_answer(its.program)
    lean = link_model(compile_model(its.c), LEANEST)
    assert lean.tables == its.image.layout.tables.size
    assert its.image.tables - lean.tables >= 2 * (len(known.trim) + sum(map(len, known.rows)))


def test_the_scratch_may_serve_between_slices(all_built: dict[str, Any]) -> None:
    """Step on the same scratch after every slice, and the test still passes: what it needs of the scratch it
    keeps.
    """
    its = all_built["strip"]
    machine, frame = Machine(its.image), its.vectors.head(1)
    started(machine)
    machine.call("init", machine._objects["state"][0])
    assert machine.prepare(frame.trim[0])
    found = [RUNNING]
    while found[-1] == RUNNING:
        found.append(machine.call("selftest_slice", PLACE, 64) & 0xFF)
        machine.step(frame.counts[0], int(frame.temperature[0]), int(frame.faults[0]))
    assert found[-1] == OK


def test_damaged_code_ends_with_no(all_built: dict[str, Any]) -> None:
    """A shift that is one too short in the code, with the tables whole, is found by the known answer and not
    by the CRC.
    """
    its = all_built["strip"]
    source = its.c.source.replace("sum >> shape[2]", "sum >> (shape[2] - 1U)")
    assert source != its.c.source
    machine = Machine(build_core(replace(its.c, source=source)))
    started(machine)
    assert machine.selftest()
    assert answers(machine, 64)[-1] == BAD


def test_a_slice_reads_no_more_than_it_is_told(all_built: dict[str, Any]) -> None:
    """After a slice of seven bytes the register holds zlib's CRC of seven bytes: IEEE 802.3, reflected."""
    import zlib

    its = all_built["strip"]
    machine = Machine(its.image)
    started(machine)
    machine.call("selftest_slice", PLACE, 7)
    at, crc = struct.unpack("<II", machine._uc.mem_read(PLACE, 8))
    start = its.image.symbols["innage_tables"] - its.image.flash_start
    assert (at, crc ^ 0xFFFFFFFF) == (7, zlib.crc32(its.image.flash[start : start + 7]))


def test_crc_check_value(all_built: dict[str, Any]) -> None:
    """The C makes 0xCBF43926 of '123456789', the check value of this CRC in the published catalogues."""
    machine = Machine(all_built["strip"].image)
    machine._uc.mem_map(PLACE, 0x1000)
    machine._uc.mem_write(PLACE, b"123456789")
    assert machine.call("crc", 0xFFFFFFFF, PLACE, 9) ^ 0xFFFFFFFF == 0xCBF43926


def test_a_state_in_use_is_left_alone(all_built: dict[str, Any]) -> None:
    """State and prepared values of a running model are the same before and after a whole test."""
    its = all_built["strip"]
    machine = Machine(its.image)
    machine.run(its.vectors.head(1))
    before = machine.object("state"), machine.object("prepared")
    started(machine)
    assert answers(machine, 16)[-1] == OK
    assert (machine.object("state"), machine.object("prepared")) == before


def test_known_answers_reach_the_level(all_built: dict[str, Any]) -> None:
    """Where a model gives a valid level at all, the first row that counts gives one, and others are withheld;
    all lie inside the domain, on a trim inside its limits.
    """
    for name in ("strip", "inverse_law", "forest", "two_nets", "every_op"):
        program = all_built[name].program
        known = known_answer(program)
        validities = [reading[3] for reading in known.readings]
        assert validities[known.lead] == VALID, name
        assert WITHHELD in validities, name
        assert len(known.readings) == program.settling_frames + len(known.rows)
        assert max(max(row) for row in known.rows) <= program.count_max
        if program.trim is not None:
            assert (np.array(known.trim) >= program.trim.low).all()
            assert (np.array(known.trim) <= program.trim.high).all()
