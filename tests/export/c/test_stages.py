"""The stages of a step: readable from the top down, each with little to hold in mind."""

from __future__ import annotations

import re
from typing import Any

import pytest
from complexity import complexities, complexity
from pads import strip_of_pads

from export.c.source import emit_c
from export.compilers.host_build import build_host, run_host
from export.compilers.linting import lint
from export.evidence.drawing import make_vectors
from training.program import Builder

MOST = 25  # of a function; 15 is the method's own default, 109 was that of one step in one function


@pytest.mark.parametrize(
    ("body", "total"),
    [
        ("if (a) { for (;;) { while (b) { } } }", 6),
        ("if (a && b && c || d || e && f) { }", 4),
        ("if (a && !(b && c)) { }", 3),
        ("if (a) { x = 1; } else if (b) { x = 2; } else { x = 3; }", 3),
        ("x = a ? 1 : 2;", 1),
        ("for (;;) { if (a) { x = b ? 1 : 2; } }", 6),
    ],
)
def test_complexity_is_counted_as_defined(body: str, total: int) -> None:
    """Examples of Campbell, Cognitive Complexity (2018): the paper's on nesting (6 of its 9 without the
    ``catch``), its two on logical operators, and its rules for ``else if`` and conditional operators.
    """
    assert complexity(body) == total


def test_no_function_is_hard_to_follow(all_built: dict[str, Any]) -> None:
    """Every function of every sample, and of a model with net and band."""
    sources = {name: sample.c.source for name, sample in all_built.items()}
    sources["pads"] = emit_c(strip_of_pads()).source
    for name, source in sources.items():
        counted = complexities(source)
        assert "innage_step" in counted
        assert {k: v for k, v in counted.items() if v > MOST} == {}, name


@pytest.mark.longer
def test_step_names_its_stages() -> None:
    """Step checks its inputs and calls the stages in order; each has a sentence, and what they hand on a
    struct. Readings and state are the interpreter's.
    """
    program = strip_of_pads()
    source, vectors = emit_c(program), make_vectors(program, 200)
    readings, state = run_host(build_host(source), vectors)
    assert (readings == vectors.readings).all()
    assert (state == vectors.state).all()
    step = source.source[source.source.index("uint8_t innage_step(") :]
    step = step[: step.index("\n}\n")]
    assert re.findall(r"innage_(\w+)\(", step)[1:] == ["conditioning", "level", "decisions", "reading"]
    for title in ("Conditioning: ", "Level: ", "Decisions: ", "Reading: "):
        assert f"/* {title}" in source.source
    assert "} innage_frame_t;" in source.source
    assert lint(source) == "" == lint(source, "c++")


def test_long_heads_break_between_parameters() -> None:
    """With the longest prefix no line of a head holds two words that belong apart, and the C compiles."""
    source = emit_c(strip_of_pads(), "p" * 31)
    heads = re.findall(
        r"^P+_CODE_SECTION static void p+_conditioning\(.*?\)$", source.source, re.MULTILINE | re.DOTALL
    )
    assert len(heads) == 1
    assert all(line.endswith((",", ")")) for line in heads[0].splitlines())
    assert lint(source) == ""


def test_each_net_is_a_stage_of_its_own() -> None:
    """Nets are told by the value that they end in; one whose name is none of the trade's is a net."""
    b = Builder("nets", count_bits=8, channels=3, period_ms=100, span=640)
    ends = []
    for name in ("level_raw", "error", "condition", "init"):
        weights = tuple((k, 1, len(name)) for k in range(1, 4))
        hidden = b.node(
            "clip",
            b.node("shift", b.node("dense", "counts", weights=weights, bias=(0, 1, 2)), shift=2),
            low=0,
            high=99,
        )
        total = b.node("dense", hidden, weights=((1, 2, 3), (4, 5, 6)), bias=(0, 0))
        ends.append(
            b.node("reduce_max", b.node("clip", b.node("shift", total, name=name, shift=3), low=0, high=64))
        )
    level = b.node("reduce_max", b.node("concat", *ends))
    zero = b.const(0)
    source = emit_c(b.finish(low=zero, level=level, high=b.const(640), validity=b.const(1), flags=zero))
    step = source.source[source.source.index("uint8_t innage_step(") :]
    called = re.findall(r"innage_(\w+)\(", step[: step.index("\n}\n")])[1:]
    assert [name for name in called if name in ("level", "watch_error", "watch_condition", "net")] == [
        "level",
        "watch_error",
        "watch_condition",
        "net",
    ]
    assert lint(source) == ""


def test_the_scratch_has_a_map() -> None:
    """Every row in the scratch stands in the map with its place and its stages; nothing else does."""
    source = emit_c(strip_of_pads())
    rows = dict(re.findall(r"^ \*     (\w+\[\d+\.\.\d+\])  (\w+) ", source.source, re.MULTILINE))
    assert {"shares", "level_features", "level_units_1"} <= set(rows.values())
    lengths = {m.ctype: m.elements for m in source.layout.scratch.members}
    ends = [int(place.split("..")[1].rstrip("]")) for place in rows]
    assert max(ends) < max(lengths.values())


def test_the_map_says_where_a_row_lies_in_another() -> None:
    """Of two joined rows the second begins behind the first."""
    b = Builder("joined", count_bits=8, channels=4, period_ms=100, span=640)
    rows = [b.node("sub", "counts", b.const(value), name=name) for name, value in (("near", 9), ("far", 90))]
    weights = tuple(tuple(range(k, k + 8)) for k in range(3))
    raw = b.node("dense", b.node("concat", *rows, name="both"), weights=weights, bias=(1, 2, 3), name="sums")
    zero, level = b.const(0), b.node("clip", b.node("reduce_max", raw), low=0, high=640)
    source = emit_c(
        b.finish(low=zero, level=level, high=b.const(640), validity=b.const(1), flags=zero)
    ).source
    places = {
        name: place for place, name in re.findall(r"^ \*     halves(\S+) +(\w+) ", source, re.MULTILINE)
    }
    assert places["both"] == "[0..7]"
    assert (places["near"], places["far"]) == ("[0..3]", "[4..7]")


def test_the_header_says_each_layers_bits() -> None:
    """Rows, columns and the bits that the weights are kept in."""
    header = emit_c(strip_of_pads()).header
    assert (
        " *   level_layer_1   4 x 5 weights of 8 bits\n *   level_layer_2   1 x 4 weights of 8 bits\n"
        in header
    )
