"""The checking twin: exported C, unchanged, compiled for this computer with an ``int32_t`` that checks each
operation.

The C is compiled as C++17, where ``int32_t`` can be a class (``data/checked.hpp``): a sum or product that
leaves int32, a cast that loses digits, a negative value shifted left and a value outside the range in its
comment all stop the program. Several models go into one program, since most of the time of a small build is
the compiler's start.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dataset.files.scratch import scratch_folder
from export.c.source import CSource
from export.c.text import template
from export.compilers.host_build import HostProgram, compile_host, emit_harness, run_rows
from export.vectors import Vectors, to_csv
from training.program import Array

_RANGE = r"/\* \[(-?\d+), (-?\d+)\]"
_GIVEN = re.compile(
    rf"^( *)(const int32_t (\w+)|(?!int32_t |const )\w[\w>.\[\]+ -]*) = (.*); {_RANGE}", re.MULTILINE
)
_BUILT_UP = re.compile(rf"^( *)int32_t (\w+)( = .*)?; {_RANGE}", re.MULTILINE)
_STATED = re.compile(rf"; {_RANGE}")


@dataclass(frozen=True)
class Together:
    """Several models in one program for this computer: what it was made of, and how many values the state of
    each has.
    """

    binary: bytes
    order: tuple[str, ...]
    states: Mapping[str, int]

    def run(self, prefix: str, vectors: Vectors) -> tuple[Array, Array]:
        """Readings (n, 5) and state (n, state size) of the model with this prefix; ToolError when the program
        stops.
        """
        rows = f"{self.order.index(prefix)}\n{to_csv(vectors)}".encode()
        return run_rows(HostProgram(self.binary, self.states[prefix]), rows, len(vectors))


def build_together(sources: Sequence[CSource], checked: bool = True) -> Together:
    """All of ``sources``, each with a prefix of its own, in one program.

    ``checked``: as the checking twin; else as C99 with a trap on undefined behaviour. Raises ToolError when
        the compiler refuses.
    """
    with scratch_folder() as root:
        for source in sources:
            files = {
                f"{source.prefix}.h": source.header,
                f"{source.prefix}.inc": with_ranges(source) if checked else source.source,
            }
            for name, text in (files | {f"{source.prefix}_harness.inc": emit_harness(source)}).items():
                (root / name).write_text(text, encoding="utf-8", newline="\n")
        if checked:
            (root / "checked.hpp").write_text(template("checked.hpp"), encoding="utf-8", newline="\n")
        unit = "all.cpp" if checked else "all.c"
        (root / unit).write_text(_all_in_one(sources, checked), encoding="utf-8", newline="\n")
        standard = (
            ("-std=c++17", "-fno-exceptions", "-fno-rtti", "-fno-threadsafe-statics")
            if checked
            else ("-std=c99",)
        )
        binary = compile_host(root, unit, *standard)
    return Together(
        binary, tuple(s.prefix for s in sources), {s.prefix: s.layout.state.elements for s in sources}
    )


def with_ranges(source: CSource) -> str:
    """The text of the source in which every value whose comment states a range is held to it."""
    text = _GIVEN.sub(lambda m: _held(m, m[3] or m[2]), source.source)
    return _BUILT_UP.sub(
        lambda m: (
            f"{m[1]}int32_t {m[2]}{m[3] or ''}; const checked::at_end end_{m[2]}({m[2]}, {m[4]}LL, "
            f'{m[5]}LL, "{m[2]}"); /* ['
        ),
        text,
    )


def _held(m: re.Match[str], name: str) -> str:
    return f'{m[1]}{m[2]} = checked::within({m[4]}, {m[5]}LL, {m[6]}LL, "{name}"); /* ['


def ranges_held(source: CSource) -> tuple[int, int]:
    """How many values of ``source`` state a range in their comment, and how many of those the twin holds to
    it.
    """
    text = with_ranges(source)
    return len(_STATED.findall(source.source)), text.count("checked::within(") + text.count(
        "checked::at_end "
    )


def _all_in_one(sources: Sequence[CSource], checked: bool) -> str:
    """One file that includes every model with its harness; the first line of the input says which of them
    runs.
    """
    lines = [f"#include <{name}.h>" for name in ("stdbool", "stddef", "stdint", "stdio", "stdlib", "string")]
    lines += ['#include "checked.hpp"'] if checked else []
    for source in sources:
        harness = emit_harness(source)
        own = ["main", *re.findall(r"^static [^(;=]*?(\w+)\(", harness, re.MULTILINE)]
        lines += [
            f'#include "{source.prefix}.inc"',
            *(f"#define {name} {source.prefix}_{name}" for name in own),
        ]
        lines += [f'#include "{source.prefix}_harness.inc"', *(f"#undef {name}" for name in own)]
        lines += [f"#undef {name}" for name in re.findall(r"^#define (\w+)", harness, re.MULTILINE)]
    cases = "".join(f"    case {k}: return {source.prefix}_main();\n" for k, source in enumerate(sources))
    lines += [
        "int main(void)",
        "{",
        "    char line[32];",
        "    if (fgets(line, 32, stdin) == NULL) { return 9; }",
    ]
    return "\n".join(lines) + f"\n    switch (atoi(line)) {{\n{cases}    default: return 9;\n    }}\n}}\n"
