"""Bounds on hand-assembled code, counted by hand from ARM DDI 0484, Table 3-1, and what cannot
be followed.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest

from export.compilers.image import Image
from export.core.bounds import Bounds
from export.core.emulator import Machine
from export.core.flow import NotFollowed
from export.core.timing import Timing
from export.cores import CORES
from export.vectors import Vectors

START = 0x0800_0000
CORE = CORES["cortex-m0plus"]


def assembled(*step: int, leaf: int = 0) -> Image:
    """An image whose step is hand-assembled halfwords, the function at offset ``leaf`` of it a second one;
    init and prepare only return 1.
    """
    code = struct.pack(f"<{2 + len(step)}H", 0x2001, 0x4770, *step)
    symbols = {"m_init": START, "m_prepare": START, "m_step": START + 4} | (
        {"leaf": START + 4 + leaf} if leaf else {}
    )
    return Image(
        "m",
        CORE,
        START,
        code,
        symbols,
        len(code),
        0,
        0,
        8,
        8,
        8,
        16,
        64,
        2,
        channels=1,
        trim_counts=0,
        functions=frozenset(symbols.values()),
    )


def seen(image: Image, *counts: int) -> tuple[Bounds, int]:
    """The bounds after one frame for each of ``counts``, and the dearest frame's cycles. r3 of step points to
    the count.
    """
    bounds = Bounds(image, Timing(CORE, 1, 0))
    given, zero = np.asarray(counts, dtype=np.int64)[:, None], np.zeros((len(counts), 1), dtype=np.int64)
    frames = Vectors(
        len(counts),
        zero[:, :0],
        given,
        zero[:, 0],
        zero[:, 0],
        zero[:, :0],
        np.zeros((len(counts), 5), np.int64),
        zero[:, :0],
    )
    run = Machine(image, watcher=bounds.watch).run(frames)
    return bounds, int(run.cycles.max())


def test_the_dearest_way_is_taken_although_it_never_ran() -> None:
    """Two arms of 1 and of 6 cycles; only the short one ran."""
    # ldrh r0,[r3]; cmp r0,#5; beq long; b end; long: nop nop nop nop nop; end: bx lr
    image = assembled(0x8818, 0x2805, 0xD000, 0xE004, 0xBF00, 0xBF00, 0xBF00, 0xBF00, 0xBF00, 0x4770)
    bounds, most = seen(image, 1)
    assert most == 2 + 1 + 1 + 2 + 2
    assert bounds.cycles("step").cycles == 2 + 1 + 2 + 5 + 2
    assert seen(image, 5)[1] == bounds.cycles("step").cycles


def test_loops_multiply() -> None:
    """An outer loop of three rounds with an inner one of four: every round at its price, as executed."""
    # movs r0,#3; outer: movs r1,#4; inner: subs r1,#1; bne inner; subs r0,#1; bne outer; bx lr
    bounds, most = seen(assembled(0x2003, 0x2104, 0x3901, 0xD1FD, 0x3801, 0xD1FA, 0x4770), 0)
    inner = 4 * 1 + 3 * 2 + 1
    assert most == 1 + 3 * (1 + inner + 1) + 2 * 2 + 1 + 2
    found = bounds.cycles("step")
    assert (found.cycles, found.loops, found.varying) == (most, 2, 0)


def test_rounds_that_vary_are_said() -> None:
    """A loop counted by the input: the most rounds seen, and that they varied."""
    bounds, most = seen(
        assembled(0x8818, 0x3801, 0xD1FD, 0x4770), 7, 2, 3
    )  # ldrh r0,[r3]; loop: subs r0,#1; bne loop; bx lr
    found = bounds.cycles("step")
    assert (found.cycles, found.loops, found.varying) == (most, 1, 1)


def test_calls_are_priced_by_chain() -> None:
    """A function called with 2 and with 9 rounds costs what each call takes, not twice the dearer."""
    # push {lr}; movs r0,#2; bl leaf; movs r0,#9; bl leaf; pop {pc}; leaf: subs r0,#1; bne leaf; bx lr
    image = assembled(
        0xB500, 0x2002, 0xF000, 0xF804, 0x2009, 0xF000, 0xF801, 0xBD00, 0x3801, 0xD1FD, 0x4770, leaf=16
    )
    bounds, most = seen(image, 0)
    assert most == 2 + 2 * (1 + 3) + (3 + 1) + sum(n + 2 * (n - 1) + 1 + 2 for n in (2, 9))
    assert bounds.cycles("step").cycles == most


def test_stack_through_calls() -> None:
    """Step keeps 2 words and 24 bytes, its callee 3 words; a caller of step leaves 16 bytes of arguments. The
    deepest seen is the same.
    """
    # push {r4,lr}; sub sp,#24; bl leaf; add sp,#24; pop {r4,pc}; leaf: push {r4,r5,lr}; pop {r4,r5,pc}
    image = assembled(0xB510, 0xB086, 0xF000, 0xF802, 0xB006, 0xBD10, 0xB530, 0xBD30, leaf=12)
    bounds = Bounds(image, Timing(CORE, 1, 0))
    assert bounds.stack("step") == 8 + 24 + 12 + 16
    zero = np.zeros((1, 1), dtype=np.int64)
    frame = Vectors(
        1, zero[:, :0], zero, zero[:, 0], zero[:, 0], zero[:, :0], np.zeros((1, 5), np.int64), zero[:, :0]
    )
    assert Machine(image).run(frame).stack == 8 + 24 + 12 + 16


def test_a_loop_that_never_ran_has_no_bound() -> None:
    """Behind a branch that was not taken: there is no number, and the reason is given."""
    # ldrh r0,[r3]; cmp r0,#0; beq end; loop: subs r0,#1; bne loop; end: bx lr
    bounds, _ = seen(assembled(0x8818, 0x2800, 0xD001, 0x3801, 0xD1FD, 0x4770), 0)
    found = bounds.cycles("step")
    assert found.cycles is None
    assert "a loop that never ran at 0x0800000a (m_step)" in found.why


LOST = {
    "a jump by a register": ((0x4718,), "'bx r3'"),
    "the stack pointer set from a register": ((0x46BD, 0x4770), "'mov sp, r7'"),
    "two depths of the stack": (
        (0x2800, 0xD000, 0xB401, 0x4770),
        "two depths",
    ),  # cmp; beq over; push {r0}; bx lr
    "recursion": ((0xB500, 0xF7FF, 0xFFFD, 0xBD00), "recursion"),  # push {lr}; bl step; pop {pc}
}


@pytest.mark.parametrize("name", LOST)
def test_what_cannot_be_followed_is_named(name: str) -> None:
    """Instead of a wrong number there is none."""
    code, said = LOST[name]
    with pytest.raises(NotFollowed, match=said):
        Bounds(assembled(*code), Timing(CORE, 1, 0)).stack("step")


def test_a_loop_entered_in_its_middle() -> None:
    """No bound on cycles where two ways lead into a loop."""
    # ldrh r0,[r3]; cmp r0,#9; beq middle; head: subs r0,#1; middle: subs r0,#1; bne head; bx lr
    bounds, _ = seen(assembled(0x8818, 0x2809, 0xD000, 0x3801, 0x3801, 0xD1FC, 0x4770), 8)
    assert "entered in its middle" in bounds.cycles("step").why
