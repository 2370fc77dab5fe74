"""Random programs: the C on this computer and the interpreter are the same function."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

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


@dataclass(frozen=True)
class Draw:
    """One random choice: values to work on, the size of the first, and where numbers come from."""

    b: Builder
    rng: np.random.Generator
    a: str
    c: str
    d: str

    @property
    def size(self) -> int:
        return self.b.interval(self.a).size

    def number(self, low: int, above: int) -> int:
        return int(self.rng.integers(low, above))

    def row(self, size: int, *reaches: int) -> tuple[int, ...]:
        reach = int(self.rng.choice(reaches))
        return tuple(int(v) for v in self.rng.integers(-reach, reach, size, endpoint=True))

    def one_of(self, *names: str) -> str:
        return str(self.rng.choice(names))


def _clip(x: Draw) -> str:
    low, high = sorted(x.row(2, 3, 300, 40_000))
    return x.b.node("clip", x.a, low=low, high=high)


def _take(x: Draw) -> str:
    start, length = x.number(0, x.size), x.number(1, 9)
    indices = [*range(start, min(start + length, x.size))] if x.rng.random() < 0.5 else x.rng.integers(0, x.size, length)
    return x.b.node("take", x.a, indices=tuple(int(v) for v in indices))


def _dense(x: Draw) -> str:
    rows = x.number(1, 5)
    return x.b.node("dense", x.a, weights=tuple(x.row(x.size, 100) for _ in range(rows)), bias=x.row(rows, 5000))


def _hinge(x: Draw) -> str:
    knots = tuple(sorted(set(x.row(x.number(2, 7), 3000))))
    parts = len(knots) - 1
    return x.b.node("hinge", x.a, knots=knots, values=x.row(parts, 900), slopes=x.row(parts, 300), shift=x.number(0, 12))


def _trees(x: Draw) -> str:
    feature = (x.number(0, x.size), x.number(0, x.size), 0, 0, 0)
    threshold = (*x.row(2, 500), *[2**31 - 1] * 3)
    roots = tuple(x.number(0, 2) for _ in range(x.number(1, 4)))
    return x.b.node("trees", x.a, roots=roots, feature=feature, threshold=threshold, child=(1, 3, 2, 3, 4), value=(0, 0, *x.row(3, 9000)), depth=2)


_KINDS: tuple[Callable[[Draw], str], ...] = (
    lambda x: x.b.node(x.one_of("add", "sub", "mul", "max", "greater"), x.a, x.c),
    lambda x: x.b.node(x.one_of("add", "sub", "mul", "max", "greater"), x.a, x.c),
    lambda x: x.b.node(x.one_of("abs", "reduce_max", "argmax"), x.a),
    lambda x: x.b.node("where", x.a, x.c, x.d),
    lambda x: x.b.node("shift", x.a, shift=x.number(0, 16)),
    lambda x: x.b.node("ratio", x.a, x.c, floor=x.number(1, 50), bits=x.number(0, 13)),
    lambda x: x.b.node("divide", x.b.node("abs", x.a), x.b.node("max", x.c, x.b.const(x.number(1, 9)))),
    lambda x: x.b.node("concat", *(x.a, x.c, x.d)[: x.number(1, 4)]),
    lambda x: x.b.const(*x.row(x.number(1, 6), 1, 200, 70_000)),
    lambda x: x.b.node("lookup", x.a, table=x.row(x.number(1, 7), 5, 500, 100_000)),
    _clip,
    _take,
    _dense,
    _hinge,
    _trees,
)


def random_program(seed: int, expose: Callable[..., Program]) -> Program:
    """A program of about ``_NODES`` random nodes; the last ones become the state, so that every integer is compared."""
    rng = np.random.default_rng(seed)
    channels, bits = int(rng.integers(1, 6)), int(rng.choice([8, 12, 16, 20]))
    trim = (50, 200) if rng.random() < 0.5 else None
    b = Builder("random", count_bits=bits, channels=channels, period_ms=100, span=640, trim_range=trim)
    known = ["counts", "temperature", "faults"]
    if trim:
        part = b.prepare_node("divide", b.prepare_node("const", values=(100_000,)), "trim")
        known += [b.prepare_node(op, part, keep=True, name=op) for op in ("abs", "reduce_max")]
        known.append(b.prepare_node("shift", part, keep=True, name="part", shift=3))
    low, high = running_range(0, (1 << bits) - 1, 2)
    b.state("mean", (0,) * channels, (low,) * channels, (high,) * channels)
    b.renew("mean", b.node("running", "counts", "mean", shift=2, name="mean_next"))
    known += ["mean", "mean_next"]
    for _ in range(_NODES):
        draw = Draw(b, rng, *(str(rng.choice(known)) for _ in range(3)))
        with suppress(ProgramError):  # a draw that does not fit is left out
            known.append(_KINDS[draw.number(0, len(_KINDS))](draw))
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
