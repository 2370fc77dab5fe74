"""The exported C on the emulated core beside C written out naively, in one run: nets, layers of 16 x 16, an
ensemble of trees.

    python bench/export_kernels.py

Cycles and instructions are those of one step of a Cortex-M0+ (the dearest of the frames run) with a
single-cycle multiplier and no wait states; bytes are flash beyond that of an empty model, so the interface
counts for nobody. A layer costs what three layers cost more than two, a tree a tenth of what twenty cost more
than ten. Layers are also built by arm-none-eabi-gcc, for size and for speed, where it is on the PATH. The
weights are drawn, not trained: sizes and cycles do not depend on what they say.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import product

import numpy as np
from naive_c import FORMS, empty_program, float_net, float_trees, integer_layers
from net_program import net_program

from export.c.fragments import GCC_FLAGS
from export.c.kernels import TIERS
from export.c.source import CSource, emit_c
from export.compilers.core_build import OPTIMISE, build_core
from export.compilers.gcc import GCC, gcc_image
from export.compilers.image import Image
from export.core.emulator import Machine
from export.core.machine_code import Disassembler
from export.cores import Core, find_core
from export.evidence.drawing import make_vectors
from training.program import Builder, Program

FRAMES = 100
SIDE = 16  # rows and columns of a layer
DEPTH = 4


@dataclass(frozen=True)
class Cost:
    """Of one step: instructions, cycles; bytes of flash, code and tables."""

    instructions: int
    cycles: int
    flash: int


Build = Callable[[CSource], Image]


def compilers() -> dict[str, Build]:
    """The compilers that are here, by what their tables are called."""
    command, core = shutil.which(GCC), find_core("cortex-m0plus")
    builds: dict[str, Build] = {"clang -Os": build_core}
    for optimise, flag in OPTIMISE.items() if command else ():
        builds[f"gcc {flag}"] = partial(_gcc, command or "", core, optimise)
    return builds


def _gcc(command: str, core: Core, optimise: str, source: CSource) -> Image:
    return gcc_image(command, source, core, (OPTIMISE[optimise], *GCC_FLAGS[optimise][1:]))


def cost(program: Program, source: CSource, compared: bool = True, build: Build = build_core) -> Cost:
    """Build and run; with ``compared`` the readings must be the interpreter's."""
    nothing = empty_program(program.channels, program.count_bits)
    image, empty = build(source), build(emit_c(nothing))
    vectors = make_vectors(program if compared else nothing, FRAMES)
    counter = Counter(image)
    run = Machine(image, watcher=counter).run(vectors)
    if compared and (run.readings != vectors.readings).any():
        raise SystemExit("readings differ from the interpreter's")
    return Cost(counter.most, int(run.cycles.max()), len(image.flash) - len(empty.flash))


class Counter:
    """Instructions of the longest step."""

    def __init__(self, image: Image) -> None:
        self._image, self._disassembler, self.most = image, Disassembler(image.core), 0
        self._known: dict[int, int] = {}

    def __call__(self, name: str, blocks: list[int]) -> None:
        if name == "step":
            self.most = max(self.most, sum(self._instructions(block) for block in blocks))

    def _instructions(self, block: int) -> int:
        if block not in self._known:
            address, size = block >> 16, block & 0xFFFF
            offset = address - self._image.flash_start
            self._known[block] = len(
                list(self._disassembler.decode(self._image.flash[offset : offset + size], address))
            )
        return self._known[block]


def layers_program(layers: int, most: int, shift: int) -> Program:
    """Layers of 16 x 16 with weights up to ``most`` on inputs of seven bits."""
    drawn, b = (
        np.random.default_rng(1),
        Builder("layers", count_bits=16, channels=SIDE, period_ms=100, span=6400),
    )
    x = b.node("clip", b.node("shift", "counts", shift=3), low=0, high=127)
    for k in range(layers):
        weights = tuple(tuple(int(v) for v in row) for row in drawn.integers(-most, most + 1, (SIDE, SIDE)))
        x = b.node(
            "dense",
            x,
            weights=weights,
            bias=tuple(int(v) for v in drawn.integers(-90, 91, SIDE)),
            name=f"layer{k}",
        )
        x = b.node("clip", b.node("shift", x, shift=shift), low=0, high=127)
    zero = b.const(0)
    return b.finish(low=zero, level=b.node("reduce_max", x), high=b.const(6400), validity=zero, flags=zero)


def forest_program(trees: int) -> Program:
    """Complete trees of depth 4 on sixteen features."""
    drawn, b = (
        np.random.default_rng(3),
        Builder("forest", count_bits=16, channels=16, period_ms=100, span=6400),
    )
    feature, threshold, child, value, roots = list[int](), list[int](), list[int](), list[int](), list[int]()
    nodes = (1 << DEPTH) - 1
    for _ in range(trees):
        roots.append(len(child))
        for k in range(2 * nodes + 1):
            inner = k < nodes
            feature.append(int(drawn.integers(0, 16)) if inner else 0)
            threshold.append(int(drawn.integers(1000, 64000)) if inner else 0xFFFF)
            child.append(roots[-1] + (2 * k + 1 if inner else k))
            value.append(0 if inner else int(drawn.integers(-100, 101)))
    total = b.node(
        "trees",
        "counts",
        depth=DEPTH,
        feature=tuple(feature),
        threshold=tuple(threshold),
        child=tuple(child),
        value=tuple(value),
        roots=tuple(roots),
    )
    zero = b.const(0)
    level = b.node("clip", b.node("add", total, b.const(3000)), low=0, high=6400)
    return b.finish(low=zero, level=level, high=b.const(6400), validity=zero, flags=zero)


def show(rows: list[tuple[str, Cost, str]]) -> None:
    """A table; ratios are those of the first row to each."""
    first = rows[0][1]
    print(
        f"{rows[0][2]}\n{'':44} {'instructions':>12} {'cycles':>8} {'bytes':>7} {'':>16} "
        f"{'cycles':>7} {'bytes':>7}"
    )
    for what, row_cost, note in rows:
        end = f"{first.cycles / row_cost.cycles:6.1f}x {first.flash / row_cost.flash:6.1f}x"
        print(
            f"{what:44} {row_cost.instructions:12} {row_cost.cycles:8} {row_cost.flash:7} "
            f"{'' if row_cost is first else note:>16} {end}"
        )
    print()


def nets() -> None:
    for hidden in ((), (16,)):
        program = net_program(hidden)
        name = "-".join(str(n) for n in (16, *hidden, 12, 1)) + " and 16-8-4"
        rows = [
            (
                f"naive soft float, {name}",
                cost(program, float_net(program), False),
                "Nets; ours with conditioning, validity and flags",
            )
        ]
        for tier, assembly in (("small", False), ("fast", True), ("fastest", True)):
            rows.append(
                (
                    f"exported, {tier}{', assembly' * assembly}",
                    cost(program, emit_c(program, kernels=tier, assembly=assembly)),
                    "",
                )
            )
        show(rows)


def layers() -> None:
    for name, build in compilers().items():
        for most, shift, what in (
            (127, 9, "weights to 127"),
            (15, 5, "weights to 15: sums proven to fit 16 bits"),
        ):
            two, three = (layers_program(n, most, shift) for n in (2, 3))
            forms = {form: partial(integer_layers, form=form) for form in FORMS}
            for tier, assembly in product(TIERS, (False, True)):
                if not (tier == "small" and assembly):
                    title = f"exported, {tier}{', assembly' * assembly}"
                    forms[title] = partial(emit_c, kernels=tier, assembly=assembly)
            rows = [(title, *_layer(two, three, form, build)) for title, form in forms.items()]
            rows[0] = (
                f"{rows[0][0]} ({rows[0][2].strip()})",
                rows[0][1],
                f"A layer of {SIDE} x {SIDE}, {what}, {name}; bytes of three layers",
            )
            show(rows)


def _layer(
    two: Program, three: Program, form: Callable[[Program], CSource], build: Build
) -> tuple[Cost, str]:
    less, more = (cost(program, form(program), build=build) for program in (two, three))
    cycles = more.cycles - less.cycles
    return Cost(
        more.instructions - less.instructions, cycles, more.flash
    ), f"{cycles / SIDE**2:.2f} a product"


def forests() -> None:
    ten, twenty = forest_program(10), forest_program(20)
    rows = [("naive nested ifs in double", cost(twenty, float_trees(twenty)), f"20 trees of depth {DEPTH}")]
    for assembly in (False, True):
        full, half = (cost(p, emit_c(p, assembly=assembly)) for p in (twenty, ten))
        rows.append(
            (
                f"exported{', assembly' * assembly}",
                full,
                f"{(full.cycles - half.cycles) / (10 * DEPTH):.2f} a node",
            )
        )
    show(rows)


if __name__ == "__main__":
    nets()
    layers()
    forests()
