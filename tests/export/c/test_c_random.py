"""Random programs: the C on this computer and the interpreter are the same function."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dataset.errors import ProgramError
from export.c_source import emit_c
from export.emulator import Machine
from export.toolchain import build_core, build_host, lint, run_host
from export.vectors import make_vectors
from training.program import Builder, Program, running_range

_NODES = 24


def _row(rng: np.random.Generator, size: int, reach: int) -> tuple[int, ...]:
    return tuple(int(v) for v in rng.integers(-reach, reach, size, endpoint=True))


def _node(rng: np.random.Generator, b: Builder, known: list[str]) -> str:
    """One more node on values so far; ProgramError when the draw does not fit, which is then left out."""
    a, c, d = (str(rng.choice(known)) for _ in range(3))
    size = b.interval(a).size
    choice = str(rng.choice(["two", "two", "one", "where", "shift", "clip", "ratio", "divide", "take", "concat", "row", "dense", "hinge", "lookup", "trees"]))
    match choice:
        case "two":
            return b.node(str(rng.choice(["add", "sub", "mul", "max", "greater"])), a, c)
        case "one":
            return b.node(str(rng.choice(["abs", "reduce_max", "argmax"])), a)
        case "where":
            return b.node("where", a, c, d)
        case "shift":
            return b.node("shift", a, shift=int(rng.integers(0, 16)))
        case "clip":
            low, high = sorted(_row(rng, 2, int(rng.choice([3, 300, 40_000]))))
            return b.node("clip", a, low=low, high=high)
        case "ratio":
            return b.node("ratio", a, c, floor=int(rng.integers(1, 50)), bits=int(rng.integers(0, 13)))
        case "divide":
            return b.node("divide", b.node("abs", a), b.node("max", c, b.const(int(rng.integers(1, 9)))))
        case "take":
            start, length = int(rng.integers(0, size)), int(rng.integers(1, 9))
            indices = [*range(start, min(start + length, size))] if rng.random() < 0.5 else rng.integers(0, size, length)
            return b.node("take", a, indices=tuple(int(v) for v in indices))
        case "concat":
            return b.node("concat", *(a, c, d)[: int(rng.integers(1, 4))])
        case "row":
            return b.const(*_row(rng, int(rng.integers(1, 6)), int(rng.choice([1, 200, 70_000]))))
        case "dense":
            rows = int(rng.integers(1, 5))
            return b.node("dense", a, weights=tuple(_row(rng, size, 100) for _ in range(rows)), bias=_row(rng, rows, 5000))
        case "hinge":
            knots = tuple(sorted(set(_row(rng, int(rng.integers(2, 7)), 3000))))
            parts = len(knots) - 1
            return b.node("hinge", a, knots=knots, values=_row(rng, parts, 900), slopes=_row(rng, parts, 300), shift=int(rng.integers(0, 12)))
        case "lookup":
            return b.node("lookup", a, table=_row(rng, int(rng.integers(1, 7)), int(rng.choice([5, 500, 100_000]))))
    f, g = (int(v) for v in rng.integers(0, size, 2))
    tables = {"feature": (f, g, 0, 0, 0), "threshold": (*_row(rng, 2, 500), *[2**31 - 1] * 3), "child": (1, 3, 2, 3, 4)}
    return b.node("trees", a, **tables, roots=tuple(int(v) for v in rng.integers(0, 2, int(rng.integers(1, 4)))), value=(0, 0, *_row(rng, 3, 9000)), depth=2)


def random_program(seed: int, expose: Callable[..., Program]) -> Program:
    """A program of about ``_NODES`` random nodes; the last ones become the state, so that every integer is compared."""
    rng = np.random.default_rng(seed)
    channels, bits = int(rng.integers(1, 6)), int(rng.choice([8, 12, 16, 20]))
    trim = (50, 200) if rng.random() < 0.5 else None
    b = Builder("random", count_bits=bits, channels=channels, period_ms=100, span=640, trim_range=trim)
    known = ["counts", "temperature", "faults"]
    if trim:
        part = b.prepare_node("divide", b.prepare_node("const", values=(100_000,)), "trim")
        known += [b.prepare_node(op, part, keep=True, name=op, **more) for op, more in (("abs", {}), ("reduce_max", {}), ("shift", {"shift": 3}))]
    low, high = running_range(0, (1 << bits) - 1, 2)
    b.state("mean", (0,) * channels, (low,) * channels, (high,) * channels)
    b.renew("mean", b.node("running", "counts", "mean", shift=2, name="mean_next"))
    known += ["mean", "mean_next"]
    for _ in range(_NODES):
        try:
            known.append(_node(rng, b, known))
        except ProgramError:
            continue
    return expose(b, *known[-8:])


def agree(seed: int, expose: Callable[..., Program]) -> None:
    program = random_program(seed, expose)
    vectors = make_vectors(program, 200, seed=seed)
    readings, state = run_host(build_host(emit_c(program)), vectors)
    np.testing.assert_array_equal(readings, vectors.readings)
    np.testing.assert_array_equal(state, vectors.state)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1))
def test_random_programs_agree(seed: int, exposed: Callable[..., Program]) -> None:
    """C and interpreter agree on readings and on every integer that the state shows."""
    agree(seed, exposed)


@pytest.mark.slow
@settings(max_examples=100, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1))
def test_many_random_programs_agree(seed: int, exposed: Callable[..., Program]) -> None:
    """The same for many more programs, on the emulated core too, and without a warning."""
    agree(seed, exposed)
    program = random_program(seed, exposed)
    c, vectors = emit_c(program), make_vectors(program, 64, seed=seed)
    assert lint(c) == "" == lint(c, "c++")
    run = Machine(build_core(c)).run(vectors)
    np.testing.assert_array_equal(run.readings, vectors.readings)
    np.testing.assert_array_equal(run.state, vectors.state)
