"""The emulated core itself: cycles that follow from the published table, stack, and memory that must not be
touched.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dataset.errors import ToolError
from export.compilers.image import Image
from export.core.emulator import Machine
from export.core.timing import Timing
from export.cores import CORES
from export.vectors import Vectors

START = 0x0800_0000
CORE = CORES["cortex-m0plus"]
RETURN_ONE = (0x2001, 0x4770)  # movs r0, #1; bx lr


def assembled(*step: int) -> Image:
    """An image whose step is hand-assembled halfwords; init and prepare only return 1."""
    code = struct.pack(f"<{2 + len(step)}H", *RETURN_ONE, *step)
    symbols = {"m_init": START, "m_prepare": START, "m_step": START + 4}
    return Image(
        "m", CORE, START, code, symbols, len(code), 0, 0, 8, 8, 8, 16, 64, 2, channels=1, trim_counts=0
    )


def frames(n: int) -> Vectors:
    """``n`` frames of one channel, all in one stream."""
    zero = np.zeros((n, 1), dtype=np.int64)
    return Vectors(
        n,
        zero[:, :0],
        zero,
        zero[:, 0],
        zero[:, 0],
        zero[:, :0],
        np.zeros((n, 5), dtype=np.int64),
        zero[:, :0],
    )


def cycles(image: Image, multiplier: int = 1, wait_states: int = 0) -> list[int]:
    return [int(n) for n in Machine(image, multiplier, wait_states).run(frames(3)).cycles]


# Hand counts from ARM DDI 0484, Table 3-1: ALU 1, load or store 2, push or pop of N 1 + N, pop with return 3
# + N, branch taken 2 and not taken 1, BX 2, BL 3. Rows marked 'from memory' in the table file are so here
# too.
COUNTED: Mapping[str, tuple[tuple[int, ...], int]] = {
    "return only": ((0x4770,), 2),
    "loop of five": (
        (0x2005, 0x3801, 0xD1FD, 0x4770),
        1 + 5 * 1 + 4 * 2 + 1 + 2,
    ),  # movs r0,#5; subs r0,#1; bne -1; bx lr
    "push and pop": ((0xB510, 0xBD10), (1 + 2) + (3 + 2)),  # push {r4,lr}; pop {r4,pc}
    "store and load": (
        (0xB081, 0x9000, 0x9800, 0xB001, 0x4770),
        1 + 2 + 2 + 1 + 2,
    ),  # sub sp; str r0,[sp]; ldr r0,[sp]; add sp
    "multiply": ((0x4348, 0x4770), 1 + 2),  # muls r0, r1; bx lr
    "jump ahead": ((0xE000, 0x2000, 0x4770), 2 + 2),  # b over one instruction
    "not taken": (
        (0x2000, 0xD100, 0x2001, 0x4770),
        1 + 1 + 1 + 2,
    ),  # movs r0,#0; bne ahead (not taken); movs; bx lr
    "call": (
        (0xB500, 0xF000, 0xF801, 0xBD00, 0x4770),
        (1 + 1) + 3 + 2 + (3 + 1),
    ),  # push {lr}; bl leaf; pop {pc}; leaf: bx lr
    "several words": ((0xB403, 0xBC03, 0x4770), (1 + 2) + (1 + 2) + 2),  # push {r0,r1}; pop {r0,r1}
}


@pytest.mark.parametrize("name", COUNTED)
def test_hand_counted_cycles(name: str) -> None:
    """Small routines cost what their instructions add up to in the published table, every frame the same."""
    code, expected = COUNTED[name]
    assert cycles(assembled(*code)) == [expected] * 3


def test_multiplier_of_the_budget() -> None:
    """A 32-cycle multiplier adds 31 cycles to each multiplication: the chip's option in ARM DDI 0484."""
    code, expected = COUNTED["multiply"]
    assert cycles(assembled(*code), multiplier=32) == [expected + 31] * 3


def test_wait_states() -> None:
    """Each block's words and each load from flash wait once per wait state: the model's own definition,
    counted by hand.
    """
    code, expected = COUNTED["loop of five"]
    # step starts at a word: first block (three halfwords) touches 2 words, the four later rounds (bytes 2 to
    # 5) 2 each, bx lr 1
    assert cycles(assembled(*code), wait_states=3) == [expected + 3 * (2 + 4 * 2 + 1)] * 3
    literal = (0x4800, 0x4770, 0x1234, 0x5678)  # ldr r0, [pc, #0]; bx lr; a word of data
    assert cycles(assembled(*literal), wait_states=3) == [2 + 2 + 3 * (1 + 1)] * 3


def test_stack_counts_what_is_reserved() -> None:
    """Stack that is reserved but never written counts, and so do the arguments of step that the caller leaves
    there (16 bytes).
    """
    reserve = (0xB090, 0xE7FF, 0xB010, 0x4770)  # sub sp, #64; b next; add sp, #64; bx lr
    assert Machine(assembled(*reserve)).run(frames(3)).stack == 16 + 64
    assert (
        Machine(assembled(0xB5F0, 0xBDF0)).run(frames(3)).stack == 16 + 20
    )  # push {r4-r7,lr}; pop {r4-r7,pc}


FAULTS: Mapping[str, tuple[int, ...]] = {
    "writes to flash": (
        0x4902,
        0x6008,
        0x4770,
        0x0000,
        0x0000,
        0x0000,
        0x0000,
        0x0800,
    ),  # ldr r1, =0x08000000; str r0, [r1]
    "reads from null": (0x2000, 0x6800, 0x4770),  # movs r0, #0; ldr r0, [r0]
    "unaligned word": (0x3001, 0x6800, 0x4770),  # adds r0, #1; ldr r0, [r0]: ARMv6-M has no unaligned access
    "hardware division": (0xFBB0, 0xF0F1, 0x4770),  # udiv: not in ARMv6-M
    "runs in RAM": (0x3001, 0x4700),  # adds r0, #1; bx r0: jumps into the state
    "endless stack": (0xB4FF, 0xE7FD),  # push {r0-r7}; b -1
}


@pytest.mark.parametrize("name", FAULTS)
def test_what_the_core_does_not_allow_ends_the_run(name: str) -> None:
    """Memory and instructions that a Cortex-M0+ program may not use raise an error that names
    the function.
    """
    with pytest.raises(ToolError, match="m_step"):
        Machine(assembled(*FAULTS[name])).run(frames(1))


def test_writes_beside_an_object_are_found() -> None:
    """A write past the state, into the gap behind it, is an error although the memory exists."""
    with pytest.raises(ToolError, match="outside its objects"):
        Machine(assembled(0x6081, 0x4770)).run(frames(1))  # str r1, [r0, #8]: the state has 8 bytes


def by_instruction(its: Any, multiplier: int) -> list[int]:
    """Cycles of each frame by the slow way: every executed instruction decoded and priced by itself."""
    import capstone
    import unicorn

    machine, vectors = Machine(its.image), its.vectors.head(4)
    timing = Timing(CORE, multiplier, 0)
    decoder = capstone.Cs(capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS)
    executed: list[tuple[int, int]] = []
    uc, end = machine._uc, START + len(its.image.flash)
    uc.hook_add(
        unicorn.UC_HOOK_CODE,
        lambda uc, address, size, data: executed.append((address, size)),
        begin=START,
        end=end,
    )
    result = []
    for k in range(len(vectors)):
        if k % vectors.stream_frames == 0:
            machine._power_on(vectors.trim[k])
        executed.clear()
        told = () if vectors.since_pour is None else (int(vectors.since_pour[k]),)
        machine.step(vectors.counts[k], int(vectors.temperature[k]), int(vectors.faults[k]), *told)
        total = 0
        for (address, size), (behind, _) in zip(executed, [*executed[1:], (0, 0)], strict=True):
            ((_, _, mnemonic, operands),) = decoder.disasm_lite(
                its.image.flash[address - START : address - START + size], address
            )
            price = timing.instruction(mnemonic, operands)
            total += price.cycles + (price.taken if behind != address + size else 0)
        result.append(total)
    return result


@pytest.mark.longer
@pytest.mark.parametrize("multiplier", [1, pytest.param(32, marks=pytest.mark.slow)])
def test_blocks_and_instructions_add_up_alike(built: Any, multiplier: int) -> None:
    """Pricing by blocks counts every executed instruction exactly once."""
    run = Machine(built.image, multiplier).run(built.vectors.head(4))
    assert run.cycles.tolist() == by_instruction(built, multiplier)


@pytest.mark.longer
def test_runs_do_not_depend_on_each_other(all_built: dict[str, Any]) -> None:
    """A second run on the same machine gives the same readings, states, cycles and stack."""
    its = all_built["strip"]
    machine = Machine(its.image)
    first, second = (machine.run(its.vectors.head(20)) for _ in range(2))
    np.testing.assert_array_equal(first.readings, second.readings)
    np.testing.assert_array_equal(first.state, second.state)
    np.testing.assert_array_equal(first.cycles, second.cycles)
    assert first.stack == second.stack


def test_batches_price_as_one(all_built: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    """Cycles do not depend on how many frames are priced at once."""
    its = all_built["inverse_law"]
    vectors = its.vectors.head(30)
    whole = Machine(its.image, 1, 2).run(vectors).cycles
    monkeypatch.setattr("export.core.blocks_run.BATCH", 20)
    np.testing.assert_array_equal(Machine(its.image, 1, 2).run(vectors).cycles, whole)


def test_damage_shows_in_readings(all_built: dict[str, Any]) -> None:
    """A run on damaged tables differs from the expected readings, so the comparison sees the tables."""
    its = all_built["inverse_law"]
    machine = Machine(its.image)
    machine.flip(its.image.tables // 2, 7)
    assert (machine.run(its.vectors).readings != its.vectors.readings).any()


def test_unknown_functions_and_rows() -> None:
    """An instruction without a row in the table is named."""
    with pytest.raises(ToolError, match="'svc"):
        Timing(CORE, 1, 0).block(bytes([0x00, 0xDF]), START)
    with pytest.raises(ToolError, match="an instruction of the core"):
        Timing(CORE, 1, 0).block(bytes([0xFF, 0xFF, 0xFF]), START)


def test_image_is_not_changed(all_built: dict[str, Any]) -> None:
    """Damage to one machine's flash stays with that machine."""
    its = all_built["inverse_law"]
    Machine(its.image).flip(0, 0)
    assert Machine(replace(its.image)).selftest()
