"""The C of a program: one and the same function as the interpreter, and text that any project can compile."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dataset.errors import InputError, ProgramError, ToolError
from export.c.memory import MemoryLayout
from export.c.ops import ELEMENT, WHOLE
from export.c.source import CSource, emit_c
from export.compilers.core_build import build_core
from export.compilers.host_build import build_host, run_host
from export.compilers.linting import lint
from export.core.emulator import Machine
from export.evidence.drawing import make_vectors, vectors_of
from export.evidence.streams import held
from training.program import OPS, OUTPUTS, Builder, Program

Expose = Callable[..., Program]


def code_only(text: str) -> str:
    """The text without its comments."""
    return re.sub(r"/\*.*?\*/", " ", text, flags=re.DOTALL)


def test_samples_use_every_operation(all_built: dict[str, Any]) -> None:
    """Each operation that programs know has a C form, and the samples try it in both sections' reach."""
    assert {*ELEMENT, *WHOLE, "const"} == set(OPS)
    assert {n.op for b in all_built.values() for n in (*b.program.prepare, *b.program.step)} == set(OPS)


def test_core_host_and_interpreter_agree(built: Any) -> None:
    """Emulated core, this computer with a trap on undefined behaviour, and interpreter give equal readings
    and states.
    """
    its = built.vectors
    np.testing.assert_array_equal(built.on_core.readings, its.readings)
    np.testing.assert_array_equal(built.on_core.state, its.state)
    np.testing.assert_array_equal(built.on_host[0], its.readings)
    np.testing.assert_array_equal(built.on_host[1], its.state)


def test_optimised_build_agrees(all_built: dict[str, Any]) -> None:
    """A plain optimised build gives what the checked one gives."""
    its = all_built["strip"]
    readings, state = run_host(build_host(its.c, checked=False), its.vectors)
    np.testing.assert_array_equal(readings, its.vectors.readings)
    np.testing.assert_array_equal(state, its.vectors.state)


def test_a_division_takes_as_many_steps_as_its_quotient_has_digits() -> None:
    """A numerator of 30 digits over counts of 14 to 16 leaves 17, whatever is divided; quotients at both ends
    and beside them are the interpreter's.
    """
    builder = Builder("ratio", count_bits=16, channels=1, period_ms=100, span=64 * 1024)
    counts = builder.node("clip", "counts", low=1 << 13, high=(1 << 16) - 1)
    share = builder.node("divide", builder.const((1 << 30) - 1), counts)
    assert builder.interval(share).high == (((1 << 30) - 1) >> 13,)
    level = builder.node("shift", share, shift=1)
    zero = builder.const(0)
    program = builder.finish(low=zero, level=level, high=zero, validity=builder.const(1), flags=zero)
    made = emit_c(program)
    assert re.findall(r"innage_divide\([^;]*, (\d+)U\)", made.source) == ["17"]
    some = [8192, 8193, 8194, 16383, 16384, 16385, 40000, 65534, 65535]
    vectors = vectors_of(program, held(np.zeros((len(some), 0), np.int64), np.asarray(some)[:, None], 1))
    np.testing.assert_array_equal(Machine(build_core(made)).run(vectors).readings, vectors.readings)
    exact = [(((1 << 30) - 1) // count + 1) >> 1 for count in some]
    assert vectors.readings[:, OUTPUTS.index("level")].tolist() == exact


def test_layers_of_the_same_types_share_a_kernel(all_built: dict[str, Any]) -> None:
    """Two layers on halves call one kernel, and a joined row is written where it is needed, not copied."""
    text = code_only(all_built["two_nets"].c.source)
    assert text.count("static void innage_rows_int16_int8(") == 1
    assert text.count("innage_rows_int16_int8(") == 3
    assert "int16_t halves[7];" in all_built["two_nets"].c.header


@pytest.mark.longer
@pytest.mark.parametrize("language", ["c", "c++"])
def test_no_warnings(built: Any, language: str) -> None:
    """Source, and header by itself, compile as C99 and as C++ without a word under every warning of the
    design.
    """
    assert lint(built.c, language) == ""


def test_lint_sees_a_warning() -> None:
    """A narrowing without a cast is reported, so silence means something."""
    header = "#include <stdint.h>\n#define X_STATE_VALUES 0U\ntypedef int x_reading_t;\n"
    assert "-Wimplicit-int-conversion" in lint(
        CSource(
            "x", header, '#include "x.h"\nuint8_t f(int a);\nuint8_t f(int a) { return a; }\n', MemoryLayout()
        )
    )


def test_only_the_allowed_includes_and_no_float(built: Any) -> None:
    """Nothing but three standard headers is included, and no type of floating point, heap or 64 bits is
    named.
    """
    text = code_only(built.c.header + built.c.source)
    assert set(re.findall(r"#include\s+(\S+)", text)) == {
        "<stdbool.h>",
        "<stddef.h>",
        "<stdint.h>",
        '"innage.h"',
    }
    assert not re.search(r"\b(float|double|malloc|free|u?int64_t|long)\b", text)


def test_no_float_helper_is_linked(built: Any) -> None:
    """No helper for floating point or 64 bits is pulled in: names of the Arm run-time ABI (IHI 0043, section
    4.1 and 4.2).
    """
    assert not [s for s in built.image.symbols if re.match(r"__aeabi_([fdl]|[iu]l?2[fd]|ldiv|uldiv)", s)]


def test_equal_programs_give_equal_text(built: Any) -> None:
    """Emitting twice gives the same bytes, with plain line ends and in ASCII."""
    again = emit_c(built.program)
    assert (again.header, again.source) == (built.c.header, built.c.source)
    assert "\r" not in again.header + again.source
    assert (again.header + again.source).isascii()


def test_every_name_has_the_prefix(all_built: dict[str, Any]) -> None:
    """With another prefix the model still compiles, and no name of the usual one is left in the code."""
    c = emit_c(all_built["strip"].program, prefix="rinse2")
    assert lint(c) == ""
    assert not re.search(r"innage", code_only(c.header + c.source), flags=re.IGNORECASE)


@pytest.mark.parametrize("prefix", ["", "Tank", "2nd", "a-b", "a" * 32, "x\n"])
def test_unusable_prefixes_are_refused(all_built: dict[str, Any], prefix: str) -> None:
    """A prefix that C could not have is an input error."""
    with pytest.raises(InputError, match="prefix"):
        emit_c(all_built["constant"].program, prefix)


def test_unknown_operation_is_named_before_anything_is_made(all_built: dict[str, Any]) -> None:
    """An operation without C is refused, the node named."""
    program = all_built["single_channel"].program
    odd = replace(program.step[0], op="sqrt", name="odd_one")
    with pytest.raises(ProgramError, match="node 'odd_one': operation 'sqrt' has no C"):
        emit_c(replace(program, step=(odd, *program.step[1:])))


def test_a_program_that_could_overflow_is_refused() -> None:
    """Declared ranges are not believed: the analysis runs again before C is made."""
    b = Builder("edge", count_bits=16, channels=1, period_ms=100, span=640)
    big = b.node("mul", "counts", b.const(32768))
    zero = b.const(0)
    program = b.finish(low=zero, level=zero, high=zero, validity=b.node("greater", big, zero), flags=zero)
    wild = replace(program.step[0], attributes={"values": (32769,)})
    with pytest.raises(ProgramError, match=r"node 'v1' \(mul\)"):
        emit_c(replace(program, step=(wild, *program.step[1:])))


def test_trims_that_are_no_counts_are_refused() -> None:
    """A trim range that the count's type cannot hold has no C."""
    b = Builder("odd", count_bits=8, channels=1, period_ms=100, span=640, trim_range=(0, 256))
    zero = b.const(0)
    with pytest.raises(ProgramError, match="trim"):
        emit_c(b.finish(low=zero, level=zero, high=zero, validity=zero, flags=zero))


@pytest.mark.longer
def test_names_of_c_are_no_trouble() -> None:
    """Nodes may be called like keywords, macros or locals of the generated code."""
    b = Builder("keywords", count_bits=8, channels=2, period_ms=100, span=640)
    last = "counts"
    for name in ("int", "while", "register", "unix", "state", "node", "sum", "k", "bool", "class"):
        row = b.node("sub", last, b.const(3, 4), name=name)
        last = b.node("dense", row, weights=((1, 0), (0, 1)), bias=(5, 6), name=f"{name}_bias")
    level = b.node("clip", b.node("reduce_max", b.node("concat", "int", "k", last)), low=0, high=640)
    program = b.finish(low=b.const(0), level=level, high=b.const(640), validity=b.const(1), flags=b.const(0))
    assert lint(emit_c(program)) == "" == lint(emit_c(program), "c++")


HOSTILE = (
    '*/ #error "out"',
    "ends with a backslash \\",
    "??/\n#error trigraph",
    "/* nested",
    "**//",
    "?" * 40,
    "\u2028é\x00\x1b[31m",
    "x" * 300,
)


def test_free_text_stays_in_its_comment() -> None:
    """Names, notes and scales from outside cannot end a comment, continue a line or form a trigraph."""
    notes = {f"note{k} {text}": text for k, text in enumerate(HOSTILE)}
    b = Builder(" ".join(HOSTILE), count_bits=8, channels=2, period_ms=100, span=640, notes=notes)
    row = b.const(*range(2), scale="*/ x ??/")
    level = b.node("reduce_max", b.node("add", "counts", row), scale="/* \\\n */ #error")
    c = emit_c(
        b.finish(low=b.const(0), level=level, high=b.const(640), validity=b.const(1), flags=b.const(0))
    )
    assert lint(c) == "" == lint(c, "c++")
    assert "#error" not in code_only(c.header)
    assert (c.header + c.source).isascii()
    assert not re.search(r"\?\?|\\", c.header + c.source)


def test_header_of_another_model_or_format_is_refused(all_built: dict[str, Any]) -> None:
    """The source stops the build when its header belongs to another model, or has another format."""
    one, other = all_built["forest"].c, all_built["inverse_law"].c
    with pytest.raises(ToolError, match="belongs to another model"):
        build_core(replace(one, header=other.header))
    with pytest.raises(ToolError, match="has another format"):
        build_core(replace(one, header=one.header.replace("_FORMAT 2", "_FORMAT 1")))


def test_header_carries_the_cautions(built: Any) -> None:
    """The generated header says what the estimate is not, and what to do with a withheld reading."""
    text = " ".join(built.c.header.replace(" *", " ").split())
    for phrase in (
        "It is not a protective control",
        "Foam read as liquid hides dry running; film read as liquid hides an empty tank.",
        "A withheld reading must lead to the safe state.",
        "Pump and heater logic uses low, overflow logic uses high",
        "IEC 60730-1",
    ):
        assert phrase in text


def test_tables_and_their_crc(built: Any) -> None:
    """Length and CRC macros describe the bytes in flash; zlib's CRC-32 is the IEEE 802.3 one, reflected."""
    image, header = built.image, built.c.header
    length = int(re.search(r"_TABLES_LENGTH (\d+)U", header)[1])  # type: ignore[index]  # the macro is there
    crc = int(re.search(r"_TABLES_CRC32 0x([0-9A-F]{8})U", header)[1], 16)  # type: ignore[index]  # the macro is there
    assert length == image.layout.tables.size <= image.tables
    start = image.symbols.get("innage_tables", image.flash_start) - image.flash_start
    assert crc == zlib.crc32(image.flash[start : start + length])


def test_rounding_of_ties(exposed: Expose) -> None:
    """Halves go up, negative ones too: the 'half up' row that gemmlowp's fixedpoint.h (commit 16e8662) gives
    for -2.5 ... 2.5.
    """
    b = Builder("ties", count_bits=4, channels=1, period_ms=100, span=640)
    program = exposed(b, b.node("shift", b.node("sub", "counts", b.const(8)), shift=1))
    every = np.arange(16)
    vectors = make_vectors(program, 64)
    counts = np.resize(every, len(vectors))[:, None]
    _, state = run_host(build_host(emit_c(program)), replace(vectors, counts=counts))
    by_count = dict(zip(counts[:, 0].tolist(), state[:, 0].tolist(), strict=True))
    assert [by_count[8 + v] for v in (-5, -3, -1, 1, 3, 5)] == [-2, -1, 0, 1, 2, 3]
    assert [by_count[8 + v] for v in (-8, -4, -2, 0, 2, 4)] == [-4, -2, -1, 0, 1, 2]


def test_rows_read_where_they_lie(exposed: Expose) -> None:
    """Takes of a whole row, of a part, of a part of a part, and of a state that is renewed give the
    interpreter's numbers.
    """
    b = Builder("windows", count_bits=8, channels=6, period_ms=100, span=640)
    b.state("kept", (0,) * 6, (0,) * 6, (255,) * 6)
    b.state("late", (0,) * 3, (0,) * 3, (255,) * 3)
    b.renew("late", b.node("take", "kept", indices=(2, 3, 4)))
    b.renew("kept", "counts")
    row = b.node("sub", "counts", "kept")
    whole = b.node("add", b.node("take", row, indices=(0, 1, 2, 3, 4, 5)), b.const(1))
    part = b.node("take", row, indices=(1, 2, 3, 4))
    inner = b.node("mul", b.node("take", part, indices=(1, 2)), b.node("take", "counts", indices=(4, 5)))
    program = exposed(b, whole, b.node("abs", part), inner, b.node("take", inner, indices=(1,)))
    vectors = make_vectors(program, 200)
    _, state = run_host(build_host(emit_c(program)), vectors)
    np.testing.assert_array_equal(state, vectors.state)


@pytest.mark.longer
def test_what_needs_no_code_has_none(exposed: Expose) -> None:
    """A row that is joined and kept is made in its place, single values are summed without being joined, a
    sum of a row takes no table of ones, a clip has no end that the range never passes; the numbers stay.
    """
    b = Builder("spared", count_bits=8, channels=4, period_ms=100, span=640)
    row = b.node("sub", "counts", b.const(100), name="row")
    inside = b.node("clip", row, low=-100, high=155, name="inside")
    floored = b.node("clip", row, low=-50, high=155, name="floored")
    capped = b.node("clip", row, low=-100, high=99, name="capped")
    sum_of = b.node("dense", inside, weights=((1, 1, 1, 1),), bias=(3,), name="sum_of")
    joined = b.node("concat", inside, sum_of, name="joined")
    mixed = b.node("dense", joined, weights=((1, 2, 3, 4, 5), (5, 4, 3, 2, 1)), bias=(0, 0))
    bits = b.node("concat", *(b.node("greater", sum_of, b.const(50 * k)) for k in range(3)), name="bits")
    coded = b.node("dense", bits, weights=((1, -2, 4),), bias=(7,), name="coded")
    program = exposed(b, inside, mixed, coded, floored, capped)
    vectors = make_vectors(program, 200)
    source = emit_c(program)
    _, state = run_host(build_host(source), vectors)
    np.testing.assert_array_equal(state, vectors.state)
    run = Machine(build_core(source)).run(vectors)
    np.testing.assert_array_equal(run.state, vectors.state)
    text = code_only(source.source)
    assert "clip(v_row" not in text
    assert "v_floored = (v_row < (-50)) ? (-50) : v_row;" in text
    assert "v_capped = (v_row > 99) ? 99 : v_row;" in text
    assert not re.search(r"scratch->\w+\[[^\]]+\] = \(int16_t\)\(\(int32_t\)scratch->", text)
    assert re.search(
        r"v_coded = 7 \+ \(v_\w+ \? 1 : 0\) \+ \(v_\w+ \? \(-2\) : 0\) \+ \(v_\w+ \? 4 : 0\);", text
    )
    assert "sum_of_weights" not in text


def test_a_joined_row_that_is_read_again_stays_joined(exposed: Expose) -> None:
    """Single values are summed one by one only where nobody else reads them as a row, and they are few."""
    b = Builder("rows", count_bits=8, channels=9, period_ms=100, span=640)
    ones = [b.node("take", "counts", indices=(k,)) for k in range(9)]
    pair, many = b.node("concat", *ones[:2]), b.node("concat", *ones)
    read = b.node("concat", *ones[2:5])
    sums = [
        b.node("dense", x, weights=(tuple(range(1, n + 1)),), bias=(0,))
        for x, n in ((pair, 2), (many, 9), (read, 3))
    ]
    program = exposed(b, pair, b.node("reduce_max", read), *sums)
    vectors = make_vectors(program, 50)
    source = emit_c(program)
    _, state = run_host(build_host(source), vectors)
    np.testing.assert_array_equal(state, vectors.state)
    assert code_only(source.source).count("+= (int32_t)innage_tables.") == 3


def edge_program(expose: Expose, addend: int) -> Program:
    """65535 * 32768 + addend, which is 2^31 - 1 for 32767."""
    b = Builder("edge", count_bits=16, channels=1, period_ms=100, span=640)
    top = b.node("add", b.node("mul", "counts", b.const(32768)), b.const(addend))
    low = b.node("sub", b.const(-1), top)
    return expose(b, top, low, b.node("clip", low, low=-(2**31), high=-(2**31) + 1))


def test_the_last_int32_is_reached_and_right(exposed: Expose) -> None:
    """2^31 - 1 and -2^31 are values like any other; one more is refused by the analysis."""
    program = edge_program(exposed, 32767)
    vectors = make_vectors(program, 64)
    _, state = run_host(build_host(emit_c(program)), vectors)
    np.testing.assert_array_equal(state, vectors.state)
    assert (2**31 - 1, -(2**31), -(2**31)) in {tuple(row) for row in state.tolist()}
    run = Machine(build_core(emit_c(program))).run(vectors)
    np.testing.assert_array_equal(run.state, vectors.state)
    with pytest.raises(ProgramError, match="2147483648"):
        edge_program(exposed, 32768)


@pytest.mark.longer
def test_longest_dot_product_of_16_by_8_bits(exposed: Expose) -> None:
    """511 products of 16 by 8 bits fit int32 and the C has them right; 512 reach 2^31: K max|a| max|w| <=
    2^31 - 1.
    """
    b = Builder("dot", count_bits=16, channels=1, period_ms=100, span=640)
    signed = b.node("sub", "counts", b.const(32768))
    with pytest.raises(ProgramError, match="2147483648"):
        b.node("dense", b.node("take", signed, indices=(0,) * 512), weights=((-128,) * 512,), bias=(0,))
    total = b.node("dense", b.node("take", signed, indices=(0,) * 511), weights=((-128,) * 511,), bias=(0,))
    program = exposed(b, total)
    vectors = make_vectors(program, 64)
    _, state = run_host(build_host(emit_c(program)), vectors)
    np.testing.assert_array_equal(state, vectors.state)
    assert state.max() == 511 * 2**22
