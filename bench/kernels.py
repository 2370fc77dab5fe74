"""What a product of a layer and a node of a tree cost by kernel, core and compiler, on the emulated cores.

A layer of 16 x 16 costs what three cost more than two, a node a fortieth of what twenty trees of depth 4 cost
more than ten, in the dearest of the frames run. Cycles are counted, so a ratio is the same in every round;
readings must be the interpreter's.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from export_kernels import DEPTH, SIDE, Build, forest_program, layers_program
from measuring import Goal, Row, exact

from export.c.source import CSource, emit_c
from export.compilers.core_build import build_core
from export.compilers.gcc import gcc_command, gcc_image
from export.compilers.image import Image
from export.core.emulator import Machine
from export.cores import CORES, Core
from export.evidence.drawing import make_vectors
from training.program import Program

_FRAMES = 20
_GOALS = {("cortex-m0plus", "fast"): 8.1, ("cortex-m0plus", "branches"): 10.0}  # cycles


def kernel_rows(quick: bool) -> list[Row]:
    """Each faster kernel beside the smallest: cycles a product, cycles a node."""
    cores = list(CORES.values())[: 1 if quick else None]
    return [row for core in cores for name, build in builds(core) for row in _rows(core, name, build)]


def builds(core: Core) -> Iterator[tuple[str, Build]]:
    """The compilers that are here and know the core."""
    yield "clang", partial(build_core, core=core.name)
    command = gcc_command(core.name)
    if command:
        yield "gcc", partial(_gcc, command, core)


def _gcc(command: str, core: Core, source: CSource) -> Image:
    return gcc_image(command, source, core)


def _rows(core: Core, compiler: str, build: Build) -> Iterator[Row]:
    product, node = 1 / SIDE**2, 1 / (10 * DEPTH)
    for most, shift, tiers in ((127, 9, ("threes", "fast")), (15, 5, ("fastest",))):
        programs = [layers_program(n, most, shift) for n in (2, 3)]
        small = _difference(programs, "small", build) * product
        for tier in tiers:
            yield _row(core, compiler, tier, "product", _difference(programs, tier, build) * product, small)
    programs = [forest_program(n) for n in (10, 20)]
    small, code = (_difference(programs, tier, build) * node for tier in ("small", "branches"))
    yield _row(core, compiler, "branches", "node", code, small)


def _row(core: Core, compiler: str, tier: str, unit: str, ours: float, small: float) -> Row:
    bound = _GOALS.get((core.name, tier))
    return Row(
        f"kernels {core.name} {compiler} {tier}",
        f"{tier}, {core.name}, {compiler}",
        "small",
        f"cycles a {unit}",
        exact(ours / small),
        None if bound is None else Goal(round(bound / small, 2), False),
        True,
        "readings",
        note=f"{core.name}, {compiler}, {tier}: {ours:.2f} beside {small:.2f}",
    )


def _difference(programs: list[Program], tier: str, build: Build) -> int:
    less, more = (_cycles(program, tier, build) for program in programs)
    return more - less


def _cycles(program: Program, tier: str, build: Build) -> int:
    vectors = make_vectors(program, _FRAMES)
    run = Machine(build(emit_c(program, kernels=tier))).run(vectors)
    if (run.readings != vectors.readings).any():
        raise SystemExit("readings differ from the interpreter's")
    return int(run.cycles.max())
