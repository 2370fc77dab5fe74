"""Every core: its table, the code that is built for it, and the same numbers on each."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from dataset.admission.rules import MULTIPLIER_CYCLES
from dataset.errors import ToolError
from dataset.records import CORES as KNOWN
from export.c.extras import USUAL
from export.compilers.core_build import build_core
from export.core.bounds import Bounds
from export.core.emulator import Machine
from export.core.gcc_cost import GccCost, gcc_cost
from export.core.measure import Chip, measure_source
from export.core.timing import Timing, sources
from export.cores import CORES, Core


@pytest.fixture(params=CORES)
def core(request: pytest.FixtureRequest) -> Core:
    """Each core in turn."""
    return CORES[request.param]


def test_budgets_know_the_same_cores() -> None:
    """What a budget may name is what can be built for, each with its multipliers."""
    assert tuple(CORES) == KNOWN == tuple(MULTIPLIER_CYCLES)


def test_tables_name_their_source(core: Core) -> None:
    """A published table is named; where there is none, it says that it is a model. Arm 100230 holds no
    timings for the Cortex-M33.
    """
    its = sources(core)
    assert its.source.startswith("Arm DDI ") == (core.name in ("cortex-m0plus", "cortex-m3", "cortex-m4"))
    assert ("a model" in its.source) == (core.name in ("cortex-m33", "rv32imc"))
    assert "interrupts" in its.unseen


# Rows of Table 3-1 of ARM DDI 0337 (Cortex-M3) and ARM DDI 0439 (Cortex-M4), where P, a refill of the
# pipeline, is 1 to 3: the upper ends.
PUBLISHED = {
    ("movs", "r0, #1"): (1, 1),
    ("mul", "r0, r1, r2"): (1, 1),
    ("mla", "r0, r1, r2, r3"): (2, 1),
    ("smull", "r0, r1, r2, r3"): (5, 1),
    ("umlal", "r0, r1, r2, r3"): (7, 1),
    ("udiv", "r0, r1, r2"): (12, 12),
    ("ldr.w", "r0, [r1, #4]"): (2, 2),
    ("strh", "r0, [r1]"): (2, 2),
    ("ldrd", "r0, r1, [r2]"): (1 + 2, 1 + 2),
    ("push.w", "{r4, r5, lr}"): (1 + 3, 1 + 3),
    ("pop", "{r4, pc}"): (1 + 2 + 3, 1 + 2 + 3),
    ("bl", "#0x100"): (1 + 3, 1 + 3),
    ("b", "#0x100"): (1 + 3, 1 + 3),
    ("bx", "lr"): (1 + 3, 1 + 3),
    ("itte", "ne"): (1, 1),
    ("addne.w", "r0, r1, r2"): (1, 1),
    ("tbb", "[pc, r0]"): (2 + 1 + 3, 2 + 1 + 3),
}


def test_published_rows() -> None:
    """The tables give the published cycles, whatever width or condition an instruction has."""
    for k, name in enumerate(("cortex-m3", "cortex-m4")):
        timing = Timing(CORES[name], 1, 0)
        found = {its: timing.instruction(*its).cycles for its in PUBLISHED}
        assert found == {its: cycles[k] for its, cycles in PUBLISHED.items()}
        branch = timing.instruction("cbnz", "r0, #0x100")
        assert (branch.cycles, branch.cycles + branch.taken) == (1, 1 + 3)


def test_multiplier_of_a_riscv_core() -> None:
    """Its multiplier is the budget's; division takes a bit a cycle and more: the model's own definition."""
    slow = Timing(CORES["rv32imc"], 32, 0)
    assert slow.instruction("mul", "a0, a0, a1").cycles == 32
    assert slow.instruction("divu", "a0, a0, a1").cycles == 37
    with pytest.raises(ToolError, match="row in the table of rv32imc"):
        slow.instruction("fadd.s", "fa0, fa0, fa1")


EVERY_DAY = {("every_op", "cortex-m0plus")} | {("wide", core) for core in CORES}


@pytest.mark.longer
@pytest.mark.parametrize(
    ("name", "core_name"),
    [
        pytest.param(*its, marks=() if its in EVERY_DAY else pytest.mark.slow)
        for its in product(("every_op", "wide"), CORES)
    ],
)
def test_same_numbers_and_bounds_on_every_core(all_built: dict[str, Any], core_name: str, name: str) -> None:
    """Readings, states, stack and cycles: the interpreter's numbers both ways of running, and bounds that
    hold on inputs they were not made from.
    """
    its, core = all_built[name], CORES[core_name]
    image = build_core(its.c, core_name)
    bounds = Bounds(image, Timing(core, 1, 1))
    machine = Machine(image, 1, 1, bounds.watch)
    assert machine.selftest()
    run = machine.run(its.vectors.head(4))
    assert (run.readings == its.vectors.head(4).readings).all()
    assert (run.state == its.vectors.head(4).state).all()
    readings, state = Machine(image).replay(its.vectors)
    assert (readings == its.vectors.readings).all()
    assert (state == its.vectors.state).all()
    other = Machine(image, 1, 1).run(
        its.vectors.rows(400, 480) if len(its.vectors) % 80 == 0 else its.vectors.head(12)
    )
    for what, seen in (("step", int(other.cycles.max())), ("prepare", other.worst_case["prepare"])):
        bound = bounds.cycles(what)
        assert bound.varying == 0
        assert bound.cycles is not None
        assert seen <= bound.cycles <= 1.6 * seen
    assert other.stack == max(bounds.stack(what) for what in ("step", "prepare", "init"))


@pytest.mark.longer
@pytest.mark.parametrize("name", ["strip", "told"])
def test_replay_goes_on_over_many_streams(
    all_built: dict[str, Any], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Chunks of a few streams give what one long run gives, of a program that is told of pours too."""
    its = all_built[name]
    monkeypatch.setattr("export.core.emulator._CHUNK", 30)
    readings, state = Machine(its.image).replay(its.vectors)
    assert (readings == its.vectors.readings).all()
    assert (state == its.vectors.state).all()


@pytest.mark.longer
def test_replay_sees_damage_and_refusals(all_built: dict[str, Any]) -> None:
    """Damaged tables show in the readings; a trim that prepare refuses ends the replay with its counts."""
    its = all_built["inverse_law"]
    machine = Machine(its.image)
    machine.flip(its.image.tables // 2, 7)
    assert (machine.replay(its.vectors)[0] != its.vectors.readings).any()
    strip = all_built["strip"]
    trim = strip.vectors.trim.copy()
    trim[strip.vectors.stream_frames :] = 4000  # above the strip's limit of 3900
    from dataclasses import replace

    with pytest.raises(ToolError, match=r"refuses the trim \[4000"):
        Machine(strip.image).replay(replace(strip.vectors, trim=trim))


_GCC = """#!{python}
import subprocess, sys
given = sys.argv[1:]
if given == ["-dumpversion"]:
    print("99.1")
    sys.exit(0)
names = {{"-mthumb": [], "-mcpu=cortex-m0plus": ["-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus"], "-lgcc": ["-lcompiler_rt"],
         "-fno-tree-loop-distribute-patterns": [], "-fno-reorder-blocks": []}}
words = [word for one in given for word in names.get(one, [one])]
sys.exit(subprocess.run([sys.executable, "-P", "-m", "ziglang", "cc", *words]).returncode)
"""  # noqa: E501 - a text as it is written out


@pytest.mark.longer
def test_another_compiler_is_reported_beside(
    all_built: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With an arm-none-eabi-gcc on the PATH its bytes and cycles are given, here those of a stand-in that
    calls the known compiler; without, none.
    """
    its = all_built["inverse_law"]

    def asked(core: str = "cortex-m0plus") -> GccCost | None:
        return gcc_cost(its.c, its.vectors.head(2), Chip(CORES[core], 1, 0), "speed", USUAL, 10_000)

    monkeypatch.setenv("PATH", str(tmp_path))
    assert asked() is None
    command = tmp_path / "arm-none-eabi-gcc"
    command.write_text(_GCC.format(python=sys.executable))
    command.chmod(0o700)
    found = asked()
    assert found is not None
    assert found.cost is not None
    own = measure_source(its.c, its.vectors.head(2), Chip(CORES["cortex-m0plus"], 1, 0), "speed", USUAL)
    assert replace(found.cost, compiler=own.cost.compiler) == own.fitted(10_000)
    assert (
        found.cost.compiler
        == "arm-none-eabi-gcc 99.1 -O2 -fno-reorder-blocks -fno-tree-loop-distribute-patterns"
    )
    assert asked("rv32imc") is None
    command.write_text("#!/bin/sh\necho 'model.c:1: error: no such luck' >&2\nexit 1\n")
    refused = asked()
    assert refused is not None
    assert refused.cost is None
    assert re.search("no such luck", refused.refusal)
