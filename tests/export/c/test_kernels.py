"""Layers and trees on packed words: the same bits from the inline assembly, from its C and from the
interpreter, and the conditions of each kind.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.records import Budget
from export.c.branches import Branch, read_trees
from export.c.kernels import Kernels, pack_layer
from export.c.layers import Layer, RowTypes, common_types, has_row_tables, row_tables
from export.c.source import emit_c
from export.compilers.core_build import build_core
from export.compilers.gcc import GCC, gcc_image
from export.compilers.linting import WARNINGS, lint
from export.compilers.twin import build_together
from export.core.emulator import Machine
from export.core.measure import measure
from export.cores import find_core
from export.evidence.drawing import make_vectors
from training.program import Builder, Interval, Node, Program

Expose = Callable[..., Program]
Row = tuple[int, ...]

# Rows, columns, greatest weight, range of x, shift, upper limit of a layer; between them every kind, every
# type of row, remainders of both.
LAYERS = {
    "bytes": (9, 7, 127, (-100, 127), 7, 127),
    "bytes of long rows": (4, 16, 127, (0, 200), 9, 255),
    "bytes of halves": (8, 6, 127, (-4000, 4000), 8, 8000),
    "spread": (5, 12, 127, (-40000, 70000), 9, 65535),
    "spread of unsigned": (4, 3, 127, (0, 65535), 1, 100000),
    "halves": (6, 5, 32767, (0, 16384), 15, 16384),
    "pairs": (19, 9, 27, (0, 127), 4, 127),
    "pairs of signed": (8, 8, 30, (-100, 100), 1, 16000),
}


# Depth, name, range of x, greatest leaf of an ensemble: rows of every type, leaves of one and two bytes.
FORESTS = (
    (1, "uint8_16", (0, 255), 30000),
    (2, "int8_signed_16", (-128, 127), 30000),
    (3, "uint16_16", (0, 65535), 30000),
    (4, "int16_signed_16", (-32768, 32767), 30000),
    (5, "int32_signed_16", (-40000, 32767), 30000),
    (2, "uint8_8", (0, 255), 128),
    (5, "int16_signed_8", (-32768, 32767), 128),
)


@dataclass(frozen=True)
class Case:
    """A program with the kinds of kernel that its two tiers must use."""

    program: Program
    fast: set[str]
    fastest: set[str]
    branches: set[str]
    threes: set[str]


def layers(expose: Expose) -> Program:
    """Every layer of ``LAYERS`` on its own row of inputs, which reaches both ends of its range."""
    rng = np.random.default_rng(8)
    b = Builder("layers", count_bits=16, channels=16, period_ms=100, span=6400)
    out = []
    for name, (rows, columns, most, (low, high), shift, top) in LAYERS.items():
        scaled = b.node(
            "shift",
            b.node(
                "mul",
                b.node("take", "counts", indices=tuple(range(columns))),
                b.const(max(2 * (high - low) >> 3, 1)),
            ),
            shift=13,
        )
        x = b.node("clip", b.node("add", scaled, b.const(low)), low=low, high=high)
        weights = tuple(tuple(int(v) for v in row) for row in rng.integers(-most, most + 1, (rows, columns)))
        bias = tuple(int(v) for v in rng.integers(-200, 200, rows))
        total = b.node("dense", x, weights=weights, bias=bias, name=name.replace(" ", "_"))
        out.append(b.node("clip", b.node("shift", total, shift=shift), low=0, high=top))
    return expose(b, *out)


def forests(expose: Expose) -> Program:
    """Complete and cut trees on rows of every type, with thresholds outside what a feature can be."""
    rng, b, out = (
        np.random.default_rng(9),
        Builder("forests", count_bits=16, channels=5, period_ms=100, span=6400),
        [],
    )
    for depth, name, reach, leaf in FORESTS:
        x = b.node("clip", b.node("add", "counts", b.const(reach[0])), low=reach[0], high=reach[1])
        feature, threshold, child, value, roots = (
            list[int](),
            list[int](),
            list[int](),
            list[int](),
            list[int](),
        )
        for _ in range(3):
            roots.append(len(child))
            grow(rng, depth, reach, leaf, feature, threshold, child, value)
        tree = b.node(
            "trees",
            x,
            depth=depth,
            name=name,
            feature=tuple(feature),
            threshold=tuple(threshold),
            child=tuple(child),
            value=tuple(value),
            roots=tuple(roots),
        )
        out.append(tree)
    return expose(b, *out)


def grow(rng: np.random.Generator, depth: int, reach: tuple[int, int], leaf: int, *tables: list[int]) -> None:
    """Append one tree; one node in eight ends early, and some thresholds lie on or beyond the ends."""
    feature, threshold, child, value = tables
    low, high = reach
    level = [len(child)]
    for table in tables:
        table.append(0)
    for d in range(depth + 1):
        below = []
        for k in level:
            if d == depth or (d and rng.random() < 0.125):
                feature[k], threshold[k], child[k], value[k] = 0, 2**31 - 1, k, int(rng.integers(-leaf, leaf))
                continue
            edge = [low - 7, low, high - 1, high, high + 7, *rng.integers(low, high, 10)]
            limit = max(int(rng.choice(edge)), -32768)  # a node's word has 16 bits for it
            feature[k], threshold[k], child[k] = int(rng.integers(0, 5)), limit, len(child)
            below += [len(child), len(child) + 1]
            for table in tables:
                table += [0, 0]
        level = below


@pytest.fixture(scope="module")
def cases(exposed: Expose) -> dict[str, Case]:
    trees = {f"trees_{depth}_{name}" for depth, name, _, _ in FORESTS}
    small = {
        "bytes_int8_int8",
        "bytes_uint8_uint8",
        "bytes_int16_int16",
        "spread_int32_uint16",
        "spread_uint16_int32",
        "halves_uint16_int16",
    }
    plus = {"bytes_uint8_int8"}
    return {
        "layers": Case(
            layers(exposed),
            small | plus | {"bytes_int8_int16"},
            small | {"pairs_uint8_int8", "pairs_int8_int16"},
            set(),
            {
                f"threes_{types}"
                for types in (
                    "int8_int8",
                    "int8_int16",
                    "uint8_uint8",
                    "int16_int16",
                    "int32_uint16",
                    "uint16_int32",
                )
            },
        ),
        "forests": Case(
            forests(exposed), trees, trees, {f"branches_{k}" for k in range(len(FORESTS))}, trees
        ),
    }


@pytest.mark.longer
@pytest.mark.parametrize(
    ("name", "tier"),
    [
        ("layers", "fast"),
        ("layers", "fastest"),
        ("layers", "threes"),
        ("forests", "fast"),
        ("forests", "branches"),
    ],
)
def test_kernels_agree(cases: dict[str, Case], name: str, tier: str) -> None:
    """Assembly on the core, its C on the core and, checked, on this computer give the interpreter's readings
    and values, for inputs at the corners too.
    """
    case = cases[name]
    vectors = make_vectors(case.program, 150, seed=4)
    plain, assembly = (emit_c(case.program, kernels=tier, assembly=which) for which in (False, True))
    assert set(
        re.findall(
            r"static (?:void|int32_t) innage_((?:bytes|spread|halves|pairs|trees|branches|threes)_\w+)\(",
            plain.source,
        )
    ) == getattr(case, tier)
    for source in (plain, assembly):
        run = Machine(build_core(source)).run(vectors)
        np.testing.assert_array_equal(run.readings, vectors.readings)
        np.testing.assert_array_equal(run.state, vectors.state)
    readings, state = build_together([plain]).run("innage", vectors)
    np.testing.assert_array_equal(readings, vectors.readings)
    np.testing.assert_array_equal(state, vectors.state)
    assert len(np.unique(state)) > 20  # what is compared says something


@pytest.mark.slow
@pytest.mark.parametrize("core", ["cortex-m0plus", "cortex-m4"])
@pytest.mark.parametrize("optimise", ["s", "2"])
def test_the_other_compiler_takes_the_assembly(cases: dict[str, Case], core: str, optimise: str) -> None:
    """Assembly through arm-none-eabi-gcc, where there is one: no warning, and the interpreter's readings and
    values on the emulated core.
    """
    command = shutil.which(GCC)
    if command is None:
        pytest.skip(f"there is no {GCC} here")
    for case in cases.values():
        vectors = make_vectors(case.program, 60, seed=4)
        source = emit_c(case.program, kernels="fastest", assembly=True)
        image = gcc_image(command, source, find_core(core), (f"-O{optimise}", *WARNINGS, "-Werror"))
        run = Machine(image).run(vectors)
        np.testing.assert_array_equal(run.readings, vectors.readings)
        np.testing.assert_array_equal(run.state, vectors.state)


def _cycles_a_product(weight: int, shift: int, tier: str, optimise: str) -> float:
    """What one product costs in layers of 16 x 16 on ARMv6-M: three layers less two."""
    cycles = []
    for layers_of_16 in (2, 3):
        rng = np.random.default_rng(1)
        b = Builder("square", count_bits=16, channels=16, period_ms=100, span=6400)
        x = b.node("clip", b.node("shift", "counts", shift=3), low=0, high=127)
        for _ in range(layers_of_16):
            weights = tuple(tuple(int(w) for w in row) for row in rng.integers(-weight, weight + 1, (16, 16)))
            x = b.node("shift", b.node("dense", x, weights=weights, bias=(0,) * 16), shift=shift)
            x = b.node("clip", x, low=0, high=127)
        zero = b.const(0)
        program = b.finish(
            low=zero, level=b.node("reduce_max", x), high=b.const(6400), validity=zero, flags=zero
        )
        vectors = make_vectors(program, 40)
        run = Machine(build_core(emit_c(program, kernels=tier), optimise=optimise)).run(vectors)
        np.testing.assert_array_equal(run.readings, vectors.readings)
        cycles.append(int(run.cycles.max()))
    return (cycles[1] - cycles[0]) / 256


@pytest.mark.parametrize(
    ("weight", "shift", "tier", "most"), [(127, 9, "fast", 8.1), (15, 5, "fastest", 4.7)]
)
@pytest.mark.slow
def test_compilers_keep_the_sums_in_registers(weight: int, shift: int, tier: str, most: float) -> None:
    """Plain C: a load of x, the unpacking of a word, four products and the turn of the loop leave room for no
    more; with two sums in memory a product takes 10 cycles or more, and 6.8 of pairs. Counted, not timed.
    """
    assert max(_cycles_a_product(weight, shift, tier, optimise) for optimise in ("size", "speed")) <= most


@pytest.mark.longer
def test_kernels_compile_without_warning(cases: dict[str, Case]) -> None:
    """The kernels' C passes the warnings of the design as C and as C++, also with the assembly asked for."""
    source = emit_c(cases["layers"].program, kernels="fastest", assembly=True)
    assert lint(source) == "" == lint(source, "c++")


def test_assembly_is_asked_for_in_the_source(cases: dict[str, Case]) -> None:
    """Only where it was asked for does the source switch it on itself."""
    plain, assembly = (
        emit_c(cases["layers"].program, kernels="fast", assembly=which).source for which in (False, True)
    )
    assert "#define INNAGE_ASM" not in plain
    assert "#define INNAGE_ASM" in assembly


def test_unknown_kernels_are_refused(cases: dict[str, Case]) -> None:
    with pytest.raises(InputError, match="small, branches, threes, fast, fastest"):
        emit_c(cases["layers"].program, kernels="quick")


def _layer(weight: int, columns: int, start: int, high: int, rows: int) -> Layer:
    return Layer(((weight,) * columns,) * rows, (start,) * rows, 0, 100, ((0, high),) * columns)


def test_pairs_need_sums_of_16_bits() -> None:
    """A sum may reach 32767, and no more: 127 * 129 * 2 + 1 = 32767."""
    assert pack_layer("pairs", _layer(127, 2, 1, 129, 8)) is not None
    assert pack_layer("pairs", _layer(127, 2, 2, 129, 8)) is None
    assert pack_layer("pairs", _layer(-127, 2, -1, 129, 8)) is not None
    assert (
        pack_layer("pairs", _layer(-127, 2, -2, 129, 8)) is None
    )  # -32768 would fit alone, not joined with another


def test_bytes_need_room_for_a_sum_256_times_as_large() -> None:
    """257 times the sum of a row must fit 32 bits: (2^31 - 1) // 257 = 8355967."""
    assert pack_layer("bytes", _layer(1, 1, 0, 8355967, 4)) is not None
    assert pack_layer("bytes", _layer(1, 1, 0, 8355968, 4)) is None
    assert pack_layer("spread", _layer(1, 1, 0, 8355968, 4)) is not None


def test_weights_too_wide_for_a_kind_are_refused() -> None:
    assert pack_layer("bytes", _layer(128, 2, 0, 1, 4)) is None
    assert pack_layer("spread", _layer(-128, 2, 0, 1, 4)) is None
    assert pack_layer("halves", _layer(32767, 2, 0, 1, 4)) is not None
    assert pack_layer("halves", _layer(32768, 2, 0, 1, 4)) is None


def test_layers_that_are_not_rectified_stay_in_the_loop(exposed: Expose) -> None:
    """A clip that does not start at zero has no kernel on words."""
    b = Builder("signed", count_bits=8, channels=4, period_ms=100, span=6400)
    total = b.node("shift", b.node("dense", "counts", weights=((1, 2, 3, 4),) * 4, bias=(0,) * 4), shift=3)
    text = emit_c(exposed(b, b.node("clip", total, low=-1, high=100)), kernels="fastest").source
    assert "innage_rows_" in text
    assert not re.search(r"innage_(bytes|spread|halves|pairs)_", text)
    assert Kernels("fast").text("innage") == ""


@pytest.mark.longer
def test_trees_take_four_bytes_a_node_and_two_a_leaf(cases: dict[str, Case]) -> None:
    """Three complete trees of depth 4: (15 * 4 + 16 * 2) * 3 bytes."""
    source = emit_c(cases["forests"].program)
    assert re.search(rf"uint32_t t_int16_signed_16_words\[{(15 * 4 + 16 * 2) * 3 // 4}\];", source.source)


def test_a_forest_that_is_smaller_as_nodes_stays_so(exposed: Expose) -> None:
    """A long thin tree has few nodes, and a complete one of its depth many."""
    b = Builder("thin", count_bits=8, channels=2, period_ms=100, span=6400)
    right = (1, 3, 2, 5, 4, 7, 6, 7, 8)
    leaves = {2, 4, 6, 7, 8}
    child = tuple(k if k in leaves else c for k, c in enumerate(right))
    trees = b.node(
        "trees",
        "counts",
        roots=(0,),
        feature=(0,) * 9,
        threshold=tuple(255 if k in leaves else 40 * (k + 1) % 250 for k in range(9)),
        child=child,
        value=tuple(range(9)),
        depth=4,
    )
    text = emit_c(exposed(b, trees)).source
    assert "_trees_" not in text.replace("t_trees", "")


def _ensemble(feature: Row, threshold: Row, child: Row, value: Row, depth: int, roots: Row = (0,)) -> Node:
    tables = {"feature": feature, "threshold": threshold, "child": child, "value": value, "roots": roots}
    return Node("t", "trees", ("x",), {"depth": depth, **tables}, Interval((0,), (0,)))


def test_comparisons_that_are_decided_are_left_out() -> None:
    """X > 10, then above it x > 5, which is sure, and below it x > 10 again, which cannot be."""
    x = Interval((0,), (20,))
    tree = _ensemble((0,) * 7, (10, 10, 5, 0, 0, 0, 0), (1, 3, 5, 3, 4, 5, 6), (0, 0, 0, 1, 2, 3, 4), 2)
    assert read_trees(tree, x, 10) == (Branch(0, 10, 1, 4),)
    assert read_trees(tree, Interval((11,), (20,)), 10) == (4,)  # no comparison at all


def test_code_of_trees_is_bounded() -> None:
    """Nodes that are each other's children make a tree of 2^depth comparisons out of a few numbers: too many
    are refused, and so are trees deeper than compilers nest, and sums that could leave int32 in another
    order.
    """
    x = Interval((0,) * 40, (1000,) * 40)
    chains = [
        _ensemble(tuple(range(40)), (500,) * 40, (*range(1, 39), 38, 39), tuple(range(40)), depth)
        for depth in (12, 8, 13)
    ]
    found = [read_trees(chain, x, most) for chain, most in zip(chains, (1024, 1024, 1 << 20), strict=True)]
    assert [trees is None for trees in found] == [True, False, True]
    both, one = (
        _ensemble((0,) * 3, (5,) * 3, (1, 1, 2), (0, -(2**30) - 1, 2**30), 1, roots)
        for roots in ((0, 0), (0,))
    )
    assert read_trees(both, x, 10) is None
    assert read_trees(one, x, 10) is not None


@pytest.mark.slow
def test_trees_are_spread_over_functions(exposed: Expose) -> None:
    """No function has more comparisons than one tree above the limit, and the calls are all of them."""
    b = Builder("many", count_bits=16, channels=5, period_ms=100, span=6400)
    feature, threshold, child, value = list[int](), list[int](), list[int](), list[int]()
    rng, roots = np.random.default_rng(2), list[int]()
    for _ in range(30):
        roots.append(len(child))
        grow(rng, 4, (0, 65535), 100, feature, threshold, child, value)
    trees = b.node(
        "trees",
        "counts",
        depth=4,
        feature=tuple(feature),
        threshold=tuple(threshold),
        child=tuple(child),
        value=tuple(value),
        roots=tuple(roots),
    )
    program = exposed(b, trees)
    text = emit_c(program, kernels="branches").source
    functions = re.findall(r"static int32_t innage_branches_\d\(.*?\n}", text, re.DOTALL)
    assert len(functions) > 1
    assert max(function.count("if (") for function in functions) < 128 + 15
    assert len(re.findall(r"innage_branches_\d\(counts|innage_branches_\d\(&", text)) == len(functions)
    budget = Budget(
        "b", "cortex-m0plus", 1, flash_bytes=1 << 20, ram_bytes=1 << 16, stack_bytes=1 << 12, cycles=1 << 20
    )
    cost = measure(program, budget, kernels="branches")
    assert cost.cycles <= (cost.cycles_bound or 0) <= 1.5 * cost.cycles
    assert cost.cycles < measure(program, budget).cycles


def test_rows_left_over_are_done_again() -> None:
    """Five rows by three: rows 0 to 2, then 2 to 4; a weight of 8 bits is raised by 128, and the first group
    counts for two rows.
    """
    layer = Layer(tuple((10 * k, 10 * k + 1) for k in range(5)), (0, 1, 2, 3, 4), 7, 100, ((0, 1),) * 2)
    tables = row_tables(layer, RowTypes("int16_t", low=0, high=100), "threes")
    assert tables.head == (2 | 5 << 8, 7 | (2 | 7 << 4) << 8, 0, 1, 2, 2, 3, 4)
    raised = [[128 + 10 * k + column for k in rows] for rows in ((0, 1, 2), (2, 3, 4)) for column in (0, 1)]
    assert tables.weights == tuple(w for column in raised for w in column)
    assert not has_row_tables(layer.rows(0, 2), "threes")


def test_few_narrow_weights_are_widened() -> None:
    """A second loop takes some 40 bytes of code: up to so many weights of 8 bits get 16 beside wide ones, and
    the limits that all layers share are told once.
    """
    wide = Layer(((1000,) * 4,) * 4, (0,) * 4, 3, 100, ((0, 1),) * 4)
    few, many = (
        replace(wide, weights=((1,) * columns,) * 4, reach=((0, 1),) * columns) for columns in (10, 11)
    )
    assert common_types([wide, few]) == RowTypes("int16_t", True, 0, 100)
    assert common_types([wide, many]) == RowTypes("int16_t", False, 0, 100)
    assert common_types([few]) == RowTypes("int16_t", False, 0, 100)
    assert common_types([wide, replace(wide, low=-5, start=(1 << 20,) * 4)]).starts == "int32_t"
    assert common_types([wide, replace(wide, low=-5)]).low is None
