"""The checking twin lets every exported program through, stops where an operation goes wrong, and sees the
bounds reached.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from dataset.errors import ToolError
from export.c.kernels import TIERS
from export.c.source import emit_c
from export.c.text import template
from export.compilers.host_build import compile_host
from export.compilers.twin import Together, build_together, ranges_held, with_ranges
from export.evidence.drawing import make_vectors
from export.vectors import expect
from export.volume import VolumeTable
from training.program import Builder, Program, matrix

Exposed = Callable[..., Program]
Drive = Callable[..., Any]
STEEP = VolumeTable("steep@1", 10, (0, *range(60_000, 73_000, 1_000)), 0.5)


@pytest.fixture(scope="module")
def drive(bench_module: Callable[[str], ModuleType]) -> Drive:
    """Finds inputs that drive a value to the ends of its interval."""
    drive: Drive = bench_module("extremes").drive
    return drive


@pytest.fixture(scope="module")
def twins(all_built: dict[str, Any]) -> Together:
    """All sample programs in one twin, with the kernels of each tier, and all with a table of volumes."""
    return build_together(
        [
            emit_c(built.program, f"{name}_{tier}", STEEP, tier)
            for name, built in all_built.items()
            for tier in TIERS
        ]
    )


# --- what it lets through ---


@pytest.mark.longer
def test_samples_pass(twins: Together, all_built: dict[str, Any]) -> None:
    """Every sample program gives its readings and states whatever its kernels, and no operation is found
    wrong.
    """
    for name, built in all_built.items():
        vectors = built.vectors
        for tier in TIERS:
            readings, state = twins.run(f"{name}_{tier}", vectors)
            np.testing.assert_array_equal(readings, vectors.readings)
            np.testing.assert_array_equal(state, vectors.state)


def test_every_stated_range_is_held(all_built: dict[str, Any]) -> None:
    """Each range in a comment of a sample program becomes a check."""
    counts = [ranges_held(emit_c(built.program, volume=STEEP)) for built in all_built.values()]
    assert all(stated == held for stated, held in counts)
    assert sum(held for _, held in counts) > 100


# --- what it stops: each case is a piece of C, and what is said of it; '' where it is fine ---

# The edges are those of int32_t as C99 7.18.1.1 has it; a negative value shifted left is undefined (6.5.7).
_CASES = {
    "a = INT32_MAX; a = a + 1;": "a result leaves int32_t: 2147483648",
    "a = INT32_MAX; a += 1;": "a result leaves int32_t: 2147483648",
    "a = INT32_MAX; ++a;": "a result leaves int32_t: 2147483648",
    "a = INT32_MAX - 1; a = a + 1;": "",
    "a = INT32_MIN; a = a - 1;": "a result leaves int32_t: -2147483649",
    "a = INT32_MIN; a = -a;": "a result leaves int32_t: 2147483648",
    "a = 65536; b = 32768; a = a * b;": "a result leaves int32_t: 2147483648",
    "a = 65536; b = -32768; a = a * b;": "",
    "a = INT32_MIN; b = -1; a = a / b;": "a result leaves int32_t: 2147483648",
    "a = 32768; int16_t n = (int16_t)a; (void)n;": "a value does not fit its narrower type: 32768",
    "a = -32768; int16_t n = (int16_t)a; (void)n;": "",
    "a = -1; uint8_t n = (uint8_t)a; (void)n;": "a value does not fit its narrower type: -1",
    "a = -1; uint32_t n = (uint32_t)a; a = (int32_t)n; if (a != -1) { return 3; }": "",
    "a = -1; a = a << 1;": "a negative value is shifted left: -1",
    "a = 1; a = a << 31;": "a result leaves int32_t: 2147483648",
    "a = 1; a = a << 30;": "",
    "a = 1; b = 32; a = a >> (uint32_t)b;": "a shift by: 32",
    "a = -5; a = a >> 1; if (a != -3) { return 3; }": "",
    'a = 7; a = checked::within(a, 0, 6, "v_a");': "v_a: 7",
    'a = 7; a = checked::within(a, 0, 7, "v_a");': "",
    'a = 0; checked::at_end end(a, 0, 6, "v_a"); a = 9; a = 6;': "",
    'a = 0; checked::at_end end(a, 0, 6, "v_a"); a = 7;': "v_a: 7",
}


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All cases in one program, which runs that of its first argument."""
    root = tmp_path_factory.mktemp("cases")
    (root / "checked.hpp").write_text(template("checked.hpp"))
    pieces = "".join(f"    case {k}: {{ {piece} break; }}\n" for k, piece in enumerate(_CASES))
    switch = f"    switch (atoi(argv[argc - 1])) {{\n{pieces}    }}\n"
    text = (
        f'#include "checked.hpp"\nint main(int argc, char **argv)\n{{\n    int32_t a, b;\n{switch}  '
        f"  return 0;\n}}\n"
    )
    (root / "cases.cpp").write_text(text)
    binary = compile_host(root, "cases.cpp", "-std=c++17", "-fno-exceptions", "-fno-rtti")
    path = root / "cases"
    path.write_bytes(binary)
    path.chmod(0o700)
    return path


@pytest.mark.parametrize("piece", _CASES)
def test_each_operation_is_checked(cases: Path, piece: str) -> None:
    """What leaves int32, loses digits, shifts what must not be shifted, or lies outside its stated range,
    stops; its neighbour passes.
    """
    done = subprocess.run(
        [str(cases), str(list(_CASES).index(piece))], capture_output=True, text=True, check=False
    )
    said = _CASES[piece]
    assert (done.returncode, done.stderr.strip()) == ((70, said) if said else (0, ""))


@pytest.mark.longer
@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        ("v_pads_place * 37", "v_pads_place * 37000000 * 37", "a result leaves int32_t"),
        ("/* [0, 2047] */", "/* [0, 2000] */", "v_pads: 20"),
        ("(int16_t)v_pads", "(int8_t)v_pads", "a value does not fit its narrower type"),
        ("/* [-313, 262] */", "/* [-313, 200] */", "v_forest: "),
    ],
)
def test_changed_c_is_stopped(samples: dict[str, Program], was: str, becomes: str, said: str) -> None:
    """C that computes too much, keeps too little or states too narrow a range does not get through."""
    program = samples["every_op"]
    source = emit_c(program)
    changed = replace(source, source=source.source.replace(was, becomes))
    assert changed != source
    with pytest.raises(ToolError, match=f"stopped with code 70 \\({said}"):
        build_together([changed]).run(source.prefix, make_vectors(program, 1000, seed=3))


def test_the_c_itself_is_not_changed(samples: dict[str, Program]) -> None:
    """Apart from the checks put around values, the twin compiles the text that is exported."""
    source = emit_c(samples["single_channel"])
    inserted = with_ranges(source)
    assert inserted != source.source
    for line, original in zip(inserted.splitlines(), source.source.splitlines(), strict=True):
        assert line == original or "checked::within(" in line


# --- bounds that are reached ---


def _first_layer(law_rises: bool) -> Program:
    """Six pads above their dry counts, scaled and clipped each for itself, into a layer of five and one of
    two.
    """
    rng = np.random.default_rng(8)

    def layer(x: str, rows: int, name: str) -> str:
        weights = tuple(
            tuple(int(w) for w in row) for row in rng.integers(-127, 128, (rows, b.interval(x).size))
        )
        return b.node(
            "dense",
            x,
            weights=weights,
            bias=tuple(int(v) for v in rng.integers(-9000, 9000, rows)),
            name=name,
        )

    b = Builder("layers", count_bits=12, channels=6, period_ms=100, span=6400, trim_range=(900, 1100))
    b.prepare_node("clip", "trim", low=0, high=4095, name="dry", keep=True)
    moved = b.node("sub", "counts", "dry") if law_rises else b.node("sub", "dry", "counts")
    x = b.node("clip", b.node("shift", moved, shift=2), low=-100, high=200, name="x")
    first = layer(x, 5, "first")
    second = layer(b.node("clip", b.node("shift", first, shift=8), low=0, high=127), 2, "second")
    zero = b.const(0)
    level = b.node("clip", b.node("reduce_max", second), low=0, high=6400)
    return b.finish(low=zero, level=level, high=b.const(6400), validity=b.const(1), flags=zero)


@pytest.mark.longer
@pytest.mark.parametrize("rises", [True, False])
def test_bounds_of_the_first_layer_are_reached(rises: bool, drive: Drive) -> None:
    """With each count at the end that the sign of its weight asks for, every sum reaches its bound exactly,
    and the twin lets it pass.
    """
    program = _first_layer(rises)
    (first,) = (n for n in program.step if n.name == "first")
    weights = np.asarray(matrix(first.attributes, "weights"))
    wet, dry = (program.count_max, 0) if rises else (0, program.count_max)
    highest, lowest = np.where(weights > 0, wet, dry), np.where(weights > 0, dry, wet)
    counts = np.concatenate([lowest, highest])[:, None]
    trim = np.full((len(counts), 6), 1000)
    other = np.zeros((len(counts), 1, 1), np.int64)
    vectors = expect(program, 1, trim, counts, other, other)
    driven = drive(program, "first")
    assert driven.low.tolist() == list(first.interval.low)
    assert driven.high.tolist() == list(first.interval.high)
    assert driven.used == (1.0,) * 5
    twin = build_together([emit_c(program)])
    for its in (vectors, driven.vectors):
        readings, _ = twin.run("innage", its)
        np.testing.assert_array_equal(readings, its.readings)


def test_a_bound_one_too_narrow_is_seen(drive: Drive) -> None:
    """The same inputs stop a twin whose comment states a bound one too low: what was reached is what the C
    computes.
    """
    program = _first_layer(law_rises=True)
    b = replace_outputs(program)
    source = emit_c(b)
    (first,) = (n for n in b.step if n.name == "first")
    high = max(first.interval.high)
    stated = f"/* [{min(first.interval.low)}, {high}] */"
    assert source.source.count(stated) == 1
    narrower = replace(source, source=source.source.replace(stated, stated.replace(str(high), str(high - 1))))
    its = drive(b, "first").vectors
    build_together([source]).run("innage", its)
    with pytest.raises(ToolError, match=f"{high}\\)"):
        build_together([narrower]).run("innage", its)


def replace_outputs(program: Program) -> Program:
    """The same first layer without the kernel that fuses it, so that its sums stand in lines of their own."""
    b = Builder("layers", count_bits=12, channels=6, period_ms=100, span=6400, trim_range=(900, 1100))
    b.prepare_node("clip", "trim", low=0, high=4095, name="dry", keep=True)
    x = b.node("clip", b.node("shift", b.node("sub", "counts", "dry"), shift=2), low=-100, high=200)
    (first,) = (n for n in program.step if n.name == "first")
    attributes: dict[str, Any] = dict(first.attributes)
    total = b.node("dense", x, name="first", **attributes)
    zero = b.const(0)
    level = b.node("clip", b.node("reduce_max", total), low=0, high=6400)
    return b.finish(low=zero, level=level, high=b.const(6400), validity=b.const(1), flags=zero)


def test_driving_finds_what_running_means_reach(exposed: Exposed, drive: Drive) -> None:
    """Within the frames it is given a running mean is driven as far as it goes: up from 0 by a quarter of
    what is left, each frame.
    """
    b = Builder("mean", count_bits=8, channels=1, period_ms=100, span=640)
    b.state("sum", (0,), (0,), (255 * 4,))
    b.renew("sum", b.node("running", "counts", "sum", shift=2, name="next"))
    program = exposed(b, "next")
    total = 0
    for frames in range(1, 6):
        total = total - ((total + 2) >> 2) + 255  # the rule in the docstring of the operation, worked by hand
        driven = drive(program, "next", frames)
        assert (driven.low.tolist(), driven.high.tolist()) == ([0], [total])
        assert len(driven.vectors) == 2 * frames
