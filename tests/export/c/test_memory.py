"""The layout that is handed out beside the C is the one that a C compiler gives its structs."""

from __future__ import annotations

import subprocess
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from export.c.memory import CHECK_WORD, Member, placed
from export.compilers.host_build import compile_host
from training.program import OUTPUTS


@pytest.mark.longer
def test_sizes_and_offsets_are_the_compilers(built: Any, tmp_path: Path) -> None:
    """``sizeof`` each struct, and ``offsetof`` (C99, 7.17) and ``sizeof`` each of its members, as the
    compiler for this computer sees them in the exported C.
    """
    c, lines, expected = built.c, [], []
    for struct in fields(c.layout):
        name, layout = f"{c.prefix}_{struct.name}_t", getattr(c.layout, struct.name)
        lines.append(f'printf("%u\\n", (unsigned)sizeof({name}));')
        expected.append(layout.size)
        for m in layout.members:
            member = f"(({name} *)0)->{m.name}"
            lines.append(f'printf("%u\\n", (unsigned)offsetof({name}, {m.name}));')
            lines.append(f'printf("%u\\n", (unsigned)sizeof({member}));')
            expected += [m.offset, m.end - m.offset]
    (tmp_path / f"{c.prefix}.h").write_text(c.header, encoding="utf-8")
    (tmp_path / "model.c").write_text(c.source, encoding="utf-8")
    (tmp_path / "sizes.c").write_text(
        '#include "model.c"\n#include <stddef.h>\n#include <stdio.h>\nint main(void)\n{\n'
        + "\n".join(lines)
        + "\nreturn 0;\n}\n",
        encoding="utf-8",
    )
    program = tmp_path / "sizes"
    program.write_bytes(compile_host(tmp_path, "sizes.c", "-std=c99"))
    program.chmod(0o700)
    printed = subprocess.run([str(program)], capture_output=True, text=True, check=True, timeout=60).stdout
    assert [int(line) for line in printed.split()] == expected


def test_members_are_those_of_the_program(built: Any) -> None:
    """State and prepared values in the program's order behind a check word, the reading in that of its
    outputs.
    """
    program, layout = built.program, built.c.layout
    assert layout.state.members[0].name == layout.prepared.members[0].name == CHECK_WORD
    assert [m.name for m in layout.state.values] == [f"v_{state.name}" for state in program.states]
    assert (layout.state.elements, layout.prepared.elements) == (program.state_size, program.prepared_size)
    assert tuple(m.name for m in layout.reading.members) == OUTPUTS


def test_members_stand_at_multiples_of_their_width() -> None:
    """By hand: a byte, a half behind one byte of padding, a byte, three bytes of padding, a word."""
    struct = placed(
        Member(name, ctype, shape)
        for name, ctype, shape in (
            ("a", "uint8_t", ()),
            ("b", "int16_t", ()),
            ("c", "uint8_t", ()),
            ("d", "int32_t", (2,)),
            ("e", "int8_t", ()),
        )
    )
    assert [m.offset for m in struct.members] == [0, 2, 4, 8, 16]
    assert (struct.end, struct.size, struct.elements) == (17, 20, 6)


@pytest.mark.parametrize("copies", [0, 1, 3])
def test_values_out_of_copies(copies: int) -> None:
    """The check word is left out, padding passed over, rows laid side by side."""
    struct = placed(
        [
            Member(CHECK_WORD, "uint32_t"),
            Member("a", "int8_t"),
            Member("b", "uint16_t", (2,)),
            Member("c", "int32_t"),
        ]
    )
    one = bytes([1, 2, 3, 4, 0xFF, 0xA5, 0xFF, 0xFF, 7, 0, 0xA5, 0xA5, 0, 0, 0, 0x80])
    assert len(one) == struct.size
    assert struct.table(copies * one).tolist() == copies * [[-1, 65535, 7, -(2**31)]]
