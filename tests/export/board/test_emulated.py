"""The board's image on the emulated core: the readings, cycles and stack that the model alone has there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from boards import PATIENT, on_line

from dataset.live.board import SerialSource
from export.board.emulated import EmulatedBoard, build_board
from export.board.talk import BoardRun, Talk
from export.board.wires import on_socket
from export.c.source import CSource
from export.compilers.core_build import build_core
from export.core.emulator import EmulatedRun, Machine
from export.cores import CORES
from export.vectors import Vectors

FRAMES = 96
# of step, by the cycle model: what the board's empty call takes too, a move of the result and the return
MOST_IDLE = 6
MOST_UNWRITTEN = {"thumb": 12, "riscv": 48}  # bytes; RISC-V rounds each function's part of it up to 16


def talked(line: SerialSource, source: CSource, vectors: Vectors) -> BoardRun:
    """One talk: hello, self-test, vectors."""
    talk = Talk(line, PATIENT)
    hello = talk.hello()
    assert talk.passes_selftest()
    return talk.run(vectors, source.layout, hello.count_bytes, lambda *_: False, lambda *_: None)


def on_core(source: CSource, core: str, vectors: Vectors) -> tuple[EmulatedRun, int]:
    """The model alone on the same core: its run, and the most cycles of prepare."""
    run = Machine(build_core(source, core)).run(vectors)
    return run, run.worst_case["prepare"]


def agree(run: BoardRun, alone: EmulatedRun, prepare: int, isa: str = "thumb") -> None:
    """The same readings and states; cycles less by one small constant; a stack that is seen by its paint."""
    np.testing.assert_array_equal(run.readings, alone.readings)
    np.testing.assert_array_equal(run.state, alone.state)
    less = set((alone.cycles - run.cycles).tolist())
    assert len(less) == 1
    assert 0 <= less.pop() <= MOST_IDLE
    assert 0 <= prepare - run.prepare_cycles <= MOST_IDLE
    # what is reserved and never written shows in the pointer only
    assert alone.stack - MOST_UNWRITTEN[isa] <= run.stack <= alone.stack


@pytest.mark.longer
@pytest.mark.parametrize("name", ["single_channel", "every_op", "strip", "told"])
def test_a_board_measures_what_the_core_does(all_built: dict[str, Any], name: str) -> None:
    """On the smallest core, behind a pseudo-terminal: programs with and without state and trim, and one that
    is told of pours.
    """
    its = all_built[name]
    vectors = its.vectors.rows(0, FRAMES)
    with on_line(EmulatedBoard(build_board(its.c))) as line:
        run = talked(line, its.c, vectors)
    agree(run, *on_core(its.c, "cortex-m0plus", vectors))


@pytest.mark.slow
@pytest.mark.parametrize("core", sorted(CORES))
def test_every_core_over_a_socket(all_built: dict[str, Any], core: str) -> None:
    """The same on each core, behind a socket."""
    its = all_built["strip"]
    vectors = its.vectors.rows(0, FRAMES)
    with on_socket(EmulatedBoard(build_board(its.c, core))) as address:
        line = SerialSource(address, 115200)
        run = talked(line, its.c, vectors)
        line.close()
    agree(run, *on_core(its.c, core, vectors), CORES[core].isa)


@pytest.mark.longer
def test_the_example_of_a_counter_counts(all_built: dict[str, Any]) -> None:
    """The system timer (24 bits, counting down) gives the cycles that the plain counter gives, up to the
    longer way to read it.
    """
    its = all_built["single_channel"]
    vectors = its.vectors.rows(0, 32)
    runs = []
    for defines in ((), ("INNAGE_BOARD_SYSTICK",)):
        with on_line(EmulatedBoard(build_board(its.c, defines=defines))) as line:
            runs.append(talked(line, its.c, vectors))
    np.testing.assert_array_equal(runs[0].cycles, runs[1].cycles)


@pytest.mark.longer
def test_the_other_example_of_a_counter_links(all_built: dict[str, Any]) -> None:
    """The cycle counter of RISC-V, which the emulated core does not price."""
    assert build_board(all_built["strip"].c, "rv32imc", defines=("INNAGE_BOARD_MCYCLE",)).board > 0


@pytest.mark.longer
@pytest.mark.parametrize("core", sorted(CORES))
def test_the_image_is_small(all_built: dict[str, Any], core: str) -> None:
    """What runs the model takes no more flash, and no more memory beside the model's, than docs/board.md
    says; facts of this code, no source.
    """
    its = all_built["strip"]
    image, alone = build_board(its.c, core), build_core(its.c, core)
    assert 800 < image.board <= (1600 if CORES[core].isa == "thumb" else 2000)
    assert alone.ram < image.ram <= alone.ram + 160
    page = (Path(__file__).parents[3] / "docs" / "board.md").read_text(encoding="utf-8")
    assert "at most 1,600 bytes of flash on Arm cores and 2,000 on RISC-V, and 160 bytes of RAM" in page
