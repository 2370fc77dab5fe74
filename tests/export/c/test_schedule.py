"""What is computed together: loops, conditions, rows that are joined twice."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest

from export.c.source import emit_c
from export.compilers.host_build import build_host, run_host
from export.evidence.drawing import make_vectors
from training.program import Builder, Program

Expose = Callable[..., Program]


def step_of(program: Program) -> str:
    """The text of step on inputs inside the domain, after the C has given the interpreter's numbers, with
    undefined behaviour trapped.
    """
    source, vectors = emit_c(program), make_vectors(program, 200)
    readings, state = run_host(build_host(source), vectors)
    np.testing.assert_array_equal(readings, vectors.readings)
    np.testing.assert_array_equal(state, vectors.state)
    text = source.source[source.source.index("void innage_init(") :]
    text = text[text.index("\n}\n") : text.index("return reading->validity;")]
    return re.sub(r"    (const )?bool inside.*?\} else \{", "", text, flags=re.DOTALL)


def four(name: str) -> Builder:
    return Builder(name, count_bits=8, channels=4, period_ms=100, span=640)


def test_rows_and_the_sums_over_them_share_a_loop(exposed: Expose) -> None:
    """A row, its sum, its maximum, whether it leaves two limits, its change since the last frame and its
    place in the state: one loop, although the program has other work between them.
    """
    b = four("together")
    before = b.state("before", (0,) * 4, (-100,) * 4, (155,) * 4)
    row = b.node("sub", "counts", b.const(100), name="row")
    b.renew(before, row)
    total = b.node("dense", row, weights=((1,) * 4,), bias=(7,), name="total")
    twice = b.node("mul", total, b.const(2))
    most = b.node("reduce_max", row, name="most")
    apart = b.node("abs", b.node("sub", row, b.node("clip", row, low=-50, high=60)))
    outside = b.node("greater", b.node("reduce_max", apart), b.const(0), name="outside")
    change = b.node("dense", b.node("abs", b.node("sub", row, before)), weights=((1, 2, 3, 4),), bias=(0,))
    text = step_of(exposed(b, twice, most, outside, change))
    assert text.count("for (") == 1
    assert "if ((v_row < (-50)) || (v_row > 60)) {" in text


def test_a_row_of_sums_waits_for_its_sum(exposed: Expose) -> None:
    """What needs the maximum of a row comes in a second loop, and what only that reads is made there."""
    b = four("twice")
    row = b.node("sub", "counts", b.const(100), name="row")
    most = b.node("reduce_max", row)
    wet = b.node("clip", row, low=0, high=155, name="wet")
    text = step_of(exposed(b, row, b.node("sub", wet, most)))
    first, second = text.split("for (")[1:3]
    assert "v_row =" in first
    assert "v_wet =" in second


def test_states_that_change_places(exposed: Expose) -> None:
    """Rows and single values that go round in a circle, with readers of the old ones before and after."""
    b = four("round")
    rows = [b.state(f"row{k}", (k,) * 4, (0,) * 4, (355,) * 4) for k in range(3)]
    ones = [b.state(f"one{k}", (k,), (0,), (3,)) for k in range(3)]
    for names in (rows, ones):
        for k, name in enumerate(names):
            b.renew(name, names[(k + 1) % 3])
    text = step_of(exposed(b, b.node("sub", "counts", rows[0]), b.node("take", rows[1], indices=(1, 2))))
    assert text.count("state->v_one") == 6


def test_a_state_is_renewed_after_its_last_reader(exposed: Expose) -> None:
    """A row that is read again in a later loop, and as a part, keeps its old values until then."""
    b = four("late")
    old = b.state("old", (7,) * 4, (0,) * 4, (255,) * 4)
    b.renew(old, b.node("add", "counts", b.const(0), name="fresh"))
    most = b.node("reduce_max", "fresh")
    again = b.node("sub", old, most)
    part = b.node("take", old, indices=(1, 2))
    text = step_of(exposed(b, again, b.node("sub", part, most)))
    assert text.index("- v_fresh_most") < text.index("state->v_old[k] = ")


def test_a_state_is_renewed_before_its_row_is_written_over(exposed: Expose) -> None:
    """The last reader of a row and the first writer of the row that takes its place share a loop; the state
    that the old one renews is written in that loop too.
    """
    b = four("place")
    old = b.state("old", (0,) * 4, (-1000,) * 4, (1000,) * 4)
    warmth = b.node("clip", "temperature", low=-1000, high=1000)
    row = b.node("concat", warmth, warmth, warmth, warmth)
    b.renew(old, row)
    most = b.node("reduce_max", row)
    doubled = b.node("add", "counts", "counts")
    text = step_of(exposed(b, most, b.node("argmax", doubled), b.node("take", old, indices=(0,))))
    assert text.count("scratch->halves[k] = ") == 1


def test_what_one_condition_chooses_stands_in_one_if(exposed: Expose) -> None:
    """Two values by one condition, with what only one side needs inside it, also where one of them needs the
    other.
    """
    b = four("sides")
    first, second = (b.node("take", "counts", indices=(k,)) for k in (0, 1))
    wet = b.node("greater", first, b.const(90), name="wet")
    one = b.node("where", wet, b.node("mul", second, b.const(3)), b.const(0), name="one")
    other = b.node("where", wet, b.node("add", one, b.const(5)), b.node("sub", one, b.const(1)), name="other")
    text = step_of(exposed(b, one, other))
    assert text.count("if (v_wet) {") == 1
    assert re.search(r"if \(v_wet\) \{\n.*\n +v_one = v_\w+ \* 3;.*\n +v_other = v_one \+ 5;", text)


def test_constants_by_several_conditions_make_a_ladder(exposed: Expose) -> None:
    """The strongest condition stands last; both senses of a condition."""
    b = four("ladder")
    tests = [
        b.node("greater", b.node("take", "counts", indices=(k,)), b.const(90), name=f"high{k}")
        for k in range(3)
    ]
    reason = b.node("where", tests[0], b.const(1), b.const(0))
    reason = b.node("where", tests[1], reason, b.const(5))
    reason = b.node("where", tests[2], b.const(3), reason, name="reason_of")
    text = step_of(exposed(b, reason))
    assert re.search(r"if \(!v_high1\) \{\n.*_of = 5;\n.*\n +if \(v_high2\) \{\n.*_of = 3;\n", text)


def test_truths_are_joined_in_one_condition(exposed: Expose) -> None:
    """Or, and, not, and choices between truths; each of the eight cases is met."""
    b = four("truths")
    x, y, z = (
        b.node("greater", b.node("take", "counts", indices=(k,)), b.const(120), name=n)
        for k, n in enumerate("xyz")
    )
    zero, one = b.const(0), b.const(1)
    values = [
        b.node("max", x, y),
        b.node("mul", x, y),
        b.node("sub", one, x),
        b.node("where", x, zero, y),
        b.node("where", x, one, y),
        b.node("where", x, y, zero),
        b.node("where", x, y, one),
        b.node("where", x, y, z),
        b.node("where", x, zero, one),
        b.node("greater", x, zero),
        b.node("max", b.node("mul", x, b.node("sub", one, y)), z),
    ]
    text = step_of(exposed(b, *values))
    assert "(v_x && (!v_y)) || v_z;" in text


@pytest.mark.longer
def test_rows_joined_of_the_same_parts_are_made_once(exposed: Expose) -> None:
    """Two layers on partly the same rows: no row is copied, whatever one has before the other's."""
    step = {}
    for orders in (((0, 1), (2, 1, 0)), ((0, 1), (1, 2)), ((0, 1), (2, 1, 0), (1, 2))):
        b = four("shared")
        rows = [b.node("sub", "counts", b.const(value)) for value in (100, 50, 7)]
        joins = [b.node("concat", *(rows[k] for k in order)) for order in orders]
        weights = [(tuple(range(n)), tuple(range(n, 2 * n))) for n in (4 * len(order) for order in orders)]
        layers = [b.node("dense", x, weights=w, bias=(3, -4)) for x, w in zip(joins, weights, strict=True)]
        step[orders] = step_of(exposed(b, *layers))
    copies = [len(re.findall(r"scratch->\w+\[[^\]]+\] = .*scratch->", text)) for text in step.values()]
    assert copies[:2] == [0, 0]


@pytest.mark.longer
def test_one_of_several_conditions_is_told_by_a_number(exposed: Expose) -> None:
    """A number that each of the conditions makes one above 0 stands for all of them; one that a condition may
    leave at 0, or that lacks one of them, does not.
    """
    for values, missing, told in (
        ((1, 2, 3), False, True),
        ((2, 3, 0), False, False),
        ((1, 2, 3), True, False),
    ):
        b = four("told")
        tests = [
            b.node("greater", b.node("take", "counts", indices=(k,)), b.const(120 + k), name=f"high{k}")
            for k in range(4)
        ]
        number = b.const(0)
        for test, value in zip(tests, values, strict=False):
            number = b.node("where", test, b.const(value), number)
        joined = b.node("max", b.node("max", tests[0], tests[1]), tests[2])
        joined = b.node("max", joined, tests[3]) if missing else joined
        chosen = b.node("where", joined, b.const(7), b.node("take", "counts", indices=(3,)), name="chosen")
        text = step_of(exposed(b, number, chosen))
        assert bool(re.search(r"const bool v_\w+ = \(v_\w+ > 0\);", text)) == told, values
