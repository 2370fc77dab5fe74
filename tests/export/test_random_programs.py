"""Random programs: interpreter, ONNX in two runtimes, C on this computer, its checking twin and the emulated
core are one function.

What a program computes is compared whole: the last values become its state. A program that disagrees is
shrunk by hypothesis to a few operations and small numbers. C is compiled in batches: the programs that
hypothesis is about to draw are drawn once before, which the fixed seed allows; those of a shrink are compiled
one by one. ``INNAGE_TEST_PROGRAMS`` is how many are drawn beside the everyday ones.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, find, given, seed, settings
from hypothesis import strategies as st

from dataset.errors import ProgramError
from export.c.kernels import TIERS
from export.c.source import CSource, emit_c
from export.compilers.core_build import build_core
from export.compilers.linting import lint
from export.compilers.twin import Together, build_together, ranges_held
from export.core.emulator import Machine
from export.evidence.drawing import make_vectors
from export.onnx.graph import emit_onnx, emit_prepare_onnx, emit_scan_onnx
from export.onnx.run import Runtime, in_onnxruntime, in_reference, run_prepare, run_scan, run_step
from export.vectors import Vectors
from training.program import OPS, OUTPUTS, Array, Builder, Node, Program, digest, running_range, step, vector
from training.program.ops import Attribute

RUNTIMES: dict[str, Callable[[bytes], Runtime]] = {"onnxruntime": in_onnxruntime, "reference": in_reference}
EVERY_DAY, BATCH = 12, 48
MANY = int(os.environ.get("INNAGE_TEST_PROGRAMS", str(BATCH)))  # make fuzz takes more
SEED = 23
Attributes = dict[str, Attribute]


# --- drawing programs ---

_SMALL = st.integers(-300, 300)


def _row(least: int = 1, most: int = 5) -> st.SearchStrategy[tuple[int, ...]]:
    return st.lists(_SMALL, min_size=least, max_size=most).map(tuple)


_FEW, _BY_GROUPS = st.integers(1, 4), st.sampled_from((1, 3, 4, 8, 9))
_BYTE = st.integers(-127, 127)


def _dense(
    width: int, rows: st.SearchStrategy[int] = _FEW, weight: st.SearchStrategy[int] = _SMALL
) -> st.SearchStrategy[Attributes]:
    return rows.flatmap(
        lambda n: st.fixed_dictionaries(
            {"weights": st.tuples(*[st.tuples(*[weight] * width)] * n), "bias": _row(n, n)}
        )
    )


def _hinge() -> st.SearchStrategy[Attributes]:
    knots = st.lists(st.integers(-900, 900), min_size=2, max_size=6, unique=True).map(
        lambda k: tuple(sorted(k))
    )
    return knots.flatmap(
        lambda k: st.fixed_dictionaries(
            {
                "knots": st.just(k),
                "values": _row(len(k) - 1, len(k) - 1),
                "slopes": _row(len(k) - 1, len(k) - 1),
                "shift": st.integers(0, 12),
            }
        )
    )


def _trees(width: int) -> st.SearchStrategy[Attributes]:
    """Two walks through one small tree: an inner node, a leaf, an inner node, two leaves."""
    drawn = st.tuples(st.tuples(*[st.integers(0, width - 1)] * 5), _SMALL, _SMALL, _row(5, 5))
    return drawn.map(
        lambda d: {
            "roots": (0, 2),
            "feature": d[0],
            "threshold": (d[1], 1000, d[2], 1000, 1000),
            "child": (1, 1, 3, 3, 4),
            "value": d[3],
            "depth": 2,
        }
    )


def _attributes(op: str, width: int) -> st.SearchStrategy[Attributes]:
    """Random attributes that suit an input of ``width`` elements within [-1000, 1000]."""
    plain: dict[str, dict[str, st.SearchStrategy[Attribute]]] = {
        "clip": {"low": st.integers(-300, 0), "high": st.integers(0, 300)},
        "shift": {"shift": st.integers(0, 12)},
        "ratio": {"floor": st.integers(1, 300), "bits": st.integers(0, 13)},
        "take": {"indices": st.lists(st.integers(0, width - 1), min_size=1, max_size=6).map(tuple)},
        "lookup": {
            "table": st.lists(st.sampled_from((0, 7, -90, 300, 70_000)), min_size=1, max_size=6).map(tuple)
        },
        "running": {"shift": st.integers(1, 15)},
        "const": {"values": _row()},
    }
    tables = {"dense": _dense, "hinge": lambda _: _hinge(), "trees": _trees}
    return tables[op](width) if op in tables else st.fixed_dictionaries(plain.get(op, {}))


def _operation(
    draw: st.DrawFn, make: Callable[..., str], size: Callable[[str], int], pool: list[str]
) -> None:
    """One operation on what is there, its first operand mostly clipped; one that does not fit is left out."""
    op = draw(st.sampled_from(sorted(OPS)))
    x = draw(st.sampled_from(pool))
    try:
        if op == "divide":
            x, low = make("clip", x, low=0, high=100_000), draw(st.integers(1, 9))
            pool.append(make(op, x, make("clip", draw(st.sampled_from(pool)), low=low, high=5000)))
            return
        if draw(st.integers(0, 9)) < 9:  # one in ten works on the widest values there are
            x = make("clip", x, low=-1000, high=1000)
        if op == "running":
            pool.append(make(op, x, x, **draw(_attributes(op, size(x)))))
            return
        count = 0 if op == "const" else OPS[op].arity or draw(st.integers(1, 3))
        operands = [x, *(draw(st.sampled_from(pool)) for _ in range(count - 1))][:count]
        pool.append(make(op, *operands, **draw(_attributes(op, size(x)))))
    except ProgramError:  # sizes that differ, or a result beyond int32
        pass


def _layer(draw: st.DrawFn, b: Builder, pool: list[str]) -> None:
    """A dense layer with its shift and its clip, which the C runs through a kernel of its own, four or eight
    rows at a time on packed words.
    """
    x = b.node(
        "clip",
        draw(st.sampled_from(pool)),
        low=draw(st.sampled_from((-1000, -128, 0))),
        high=draw(st.sampled_from((127, 255, 1000))),
    )
    weight = draw(st.sampled_from((_SMALL, _BYTE)))
    attributes: dict[str, Any] = draw(_dense(b.interval(x).size, _BY_GROUPS, weight))
    total = b.node("dense", x, **attributes)
    low, high = draw(st.sampled_from(((0, 127), (-100, 100), (0, 4095), (-30_000, 70_000))))
    pool.append(b.node("clip", b.node("shift", total, shift=draw(st.integers(1, 10))), low=low, high=high))


@st.composite
def programs(draw: st.DrawFn) -> Program:
    """Small random programs with every kind of operation, with or without trim and a running mean."""
    bits, channels, trimmed = (
        draw(st.sampled_from((1, 8, 12, 16, 24))),
        draw(st.integers(1, 5)),
        draw(st.booleans()),
    )
    b = Builder(
        "random",
        bits,
        channels,
        period_ms=100,
        span=6400,
        trim_range=(0, min((1 << bits) - 1, 60_000)) if trimmed else None,
    )
    pool = ["counts", "temperature", "faults"]
    if trimmed:
        prepared = ["trim"]
        for _ in range(draw(st.integers(1, 3))):
            _operation(draw, b.prepare_node, lambda name: b.interval(name).size, prepared)
        for k, value in enumerate(dict.fromkeys(prepared[-2:])):
            pool.append(b.prepare_node("concat", value, keep=True, name=f"kept{k}"))
    if draw(st.booleans()):
        shift = draw(st.integers(1, 6))
        low, high = running_range(0, (1 << bits) - 1, shift)
        b.state("mean", (0,) * channels, (low,) * channels, (high,) * channels)
        b.renew("mean", b.node("running", "counts", "mean", shift=shift, name="mean_next"))
        pool += ["mean", "mean_next"]
    for _ in range(draw(st.integers(1, 16))):
        if draw(st.integers(0, 4)):
            _operation(draw, b.node, lambda name: b.interval(name).size, pool)
        else:
            _layer(draw, b, pool)
    return _expose(b, *pool[-5:])


def _expose(b: Builder, *values: str) -> Program:
    """Finish with ``values`` as the next state, so that whole integers are seen and not only a level."""
    for k, value in enumerate(values):
        its = b.interval(value)
        b.state(f"seen{k}", its.low, its.low, its.high)
        b.renew(f"seen{k}", value)
    zero = b.const(0)
    level = b.node("clip", b.node("reduce_max", values[-1]), low=0, high=6400)
    return b.finish(low=zero, level=level, high=b.const(6400), validity=b.const(1), flags=zero)


# --- comparing ---


_MADE: dict[str, Vectors] = {}


def vectors_of(program: Program) -> Vectors:
    """The program's vectors, made once: several tests are given the same programs."""
    key = digest(program)
    if key not in _MADE:
        _MADE[key] = make_vectors(program, 64, seed=4)
    return _MADE[key]


def equal(its: Vectors, readings: Array, state: Array) -> None:
    np.testing.assert_array_equal(readings, its.readings)
    np.testing.assert_array_equal(state, its.state)


def all_onnx_agrees(program: Program) -> None:
    """Single steps, from states that streams reach and from any in the declared range, whole streams and
    prepared values, in both runtimes.
    """
    its, prepare = vectors_of(program), emit_prepare_onnx(program)
    for load in RUNTIMES.values():
        one_frame = load(emit_onnx(program))
        equal(its, *run_step(one_frame, program, its))
        any_state_agrees(one_frame, program, its)
        readings, last = run_scan(load(emit_scan_onnx(program)), program, its)
        np.testing.assert_array_equal(readings, its.readings)
        np.testing.assert_array_equal(last, its.state[its.stream_frames - 1 :: its.stream_frames])
        if prepare is not None:
            np.testing.assert_array_equal(run_prepare(load(prepare), its), its.prepared)


def any_state_agrees(one_frame: Runtime, program: Program, its: Vectors) -> None:
    """One frame from states drawn over their whole declared range, its ends among them."""
    low, high = ([v for s in program.states for v in getattr(s.interval, end)] for end in ("low", "high"))
    state = np.random.default_rng(6).integers(low, high, (len(its), program.state_size), endpoint=True)
    state[0], state[1] = low, high
    readings, renewed = step(program, its.counts, its.temperature, its.faults, state, its.prepared)
    given = {
        "counts": its.counts,
        "temperature": its.temperature[:, None],
        "faults": its.faults[:, None],
        "state": state,
        "prepared": its.prepared,
    }
    found = one_frame(given)
    np.testing.assert_array_equal(np.concatenate([found[name] for name in OUTPUTS], axis=1), readings.table())
    np.testing.assert_array_equal(found["next_state"], renewed)


_SOURCES: dict[str, list[CSource]] = {}


def sources(program: Program) -> list[CSource]:
    """The program's C with the kernels of each tier, where they make a difference, made once: it is looked
    at, and compiled twice.
    """
    key = digest(program)
    if key not in _SOURCES:
        every = {tier: emit_c(program, f"p{len(_SOURCES)}_{tier}", kernels=tier) for tier in TIERS}
        distinct = {
            s.source.replace(s.prefix, "").replace(s.prefix.upper(), ""): s for s in every.values()
        }  # of equal ones the last
        _SOURCES[key] = list(distinct.values())
    return _SOURCES[key]


@dataclass
class Compiled:
    """C of many programs: a batch compiled at once, and whatever else is asked for when it is asked for."""

    checked: bool
    found: dict[str, tuple[Together, list[str]]] = field(default_factory=dict)

    def compile(self, wanted: Iterable[Program]) -> None:
        fresh = {digest(p): p for p in wanted if digest(p) not in self.found}
        made = {key: sources(program) for key, program in fresh.items()}
        if made:
            together = build_together([source for its in made.values() for source in its], self.checked)
            self.found |= {key: (together, [source.prefix for source in its]) for key, its in made.items()}

    def agrees(self, program: Program) -> None:
        self.compile([program])
        together, prefixes = self.found[digest(program)]
        its = vectors_of(program)
        for prefix in prefixes:
            equal(its, *together.run(prefix, its))


def drawn(count: int, start: int) -> list[Program]:
    """The programs that a test with this many examples and this seed will be given, as far as the modules
    loaded by then are the same.
    """
    found: list[Program] = []

    @seed(start)
    @settings(
        max_examples=count,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(programs())
    def collect(program: Program) -> None:
        found.append(program)

    collect()
    return found


def each(count: int, start: int, check: Callable[[Program], None]) -> None:
    """Run ``check`` on those programs; one that fails is shrunk."""

    @seed(start)
    @settings(max_examples=count, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(programs())
    def run(program: Program) -> None:
        check(program)

    run()


# --- the tests ---


@pytest.fixture(scope="module")
def every_day() -> list[Program]:
    """The everyday programs, drawn once."""
    return drawn(EVERY_DAY, SEED)


def kinds(batch: list[Program]) -> tuple[set[str], set[str]]:
    """The operations that the programs have, and the kernels that their C has."""
    texts = [source for program in batch for source in sources(program)]
    return (
        {n.op for p in batch for n in (*p.prepare, *p.step)},
        {
            kind
            for s in texts
            for kind in ("rows", "layer", "branches", "bytes", "halves", "pairs")
            if f"{s.prefix}_{kind}_" in s.source
        },
    )


@pytest.mark.longer
def test_everyday_programs_are_varied(every_day: list[Program]) -> None:
    """Nearly every operation, programs with and without trim, and several kernels; hypothesis draws other
    programs as modules come and go.
    """
    operations, kernels = kinds(every_day)
    assert len(operations) >= len(OPS) - 4
    assert {p.trim is None for p in every_day} == {True, False}
    assert "rows" in kernels


def agree(batch: list[Program], start: int) -> None:
    """ONNX, C on this computer with a trap on undefined behaviour, and its twin, on the programs of this
    seed.
    """
    plain, twin = Compiled(checked=False), Compiled(checked=True)
    for compiled in (plain, twin):
        compiled.compile(batch)

    def check(program: Program) -> None:
        all_onnx_agrees(program)
        plain.agrees(program)
        twin.agrees(program)

    each(len(batch), start, check)


@pytest.mark.longer
def test_every_rendering_agrees(every_day: list[Program]) -> None:
    """All give the interpreter's numbers, and the twin finds no operation outside int32 and no value outside
    its stated range.
    """
    agree(every_day, SEED)


def on_core(program: Program) -> None:
    its = vectors_of(program)
    run = Machine(build_core(emit_c(program))).run(its)
    equal(its, run.readings, run.state)


@pytest.mark.longer
def test_core_agrees(every_day: list[Program]) -> None:
    """The emulated core, too, on the two programs of most operations, one of them with a trim."""
    for trimmed in (True, False):
        on_core(
            max(
                (p for p in every_day if (p.trim is not None) == trimmed),
                key=lambda p: len({n.op for n in p.step}),
            )
        )


@pytest.mark.longer
def test_every_stated_range_is_held(every_day: list[Program]) -> None:
    """The twin misses no range that a comment of the C states."""
    for program in every_day:
        stated, held = ranges_held(emit_c(program))
        assert stated == held


@pytest.mark.slow
def test_a_wrong_bias_is_found_and_shrunk() -> None:
    """Were one rendering's biases off by one, the draw would show it, and shrink to a program of that
    operation and little else.
    """

    def differs(program: Program) -> bool:
        biased = tuple(
            replace(n, attributes={**n.attributes, "bias": _raised(n)}) if n.op == "dense" else n
            for n in program.step
        )
        readings, state = run_step(
            in_onnxruntime(emit_onnx(replace(program, step=biased))), program, its := vectors_of(program)
        )
        return not (np.array_equal(readings, its.readings) and np.array_equal(state, its.state))

    smallest = find(
        programs(),
        differs,
        settings=settings(
            max_examples=1000, deadline=None, database=None, suppress_health_check=list(HealthCheck)
        ),
    )
    ops = [n.op for n in smallest.step]
    assert ops.count("dense") == 1
    assert len(ops) <= 4 + 10  # a layer is four operations; ten more make the outputs
    assert smallest.channels == 1


def _raised(dense: Node) -> tuple[int, ...]:
    return tuple(v + 1 for v in vector(dense.attributes, "bias"))


@pytest.mark.slow
def test_many_programs_agree() -> None:
    """The same for many more programs, and some of them without a warning, on the emulated core."""
    operations, kernels = set[str](), set[str]()
    for start in range(MANY // BATCH):
        batch = drawn(BATCH, start)
        operations, kernels = (
            seen | its for seen, its in zip((operations, kernels), kinds(batch), strict=True)
        )
        agree(batch, start)
        for program in batch[:: BATCH // 4]:
            assert lint(emit_c(program)) == "" == lint(emit_c(program), "c++")
            on_core(program)
    assert operations == set(OPS)
    assert len(kernels & {"rows", "branches", "bytes", "halves", "pairs"}) >= 4  # hypothesis draws them
