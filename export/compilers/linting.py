"""What the compiler says of exported C when it is asked for everything."""

from __future__ import annotations

from dataset.files.scratch import scratch_folder
from export.c.source import CSource
from export.compilers import zig
from export.compilers.host_build import emit_harness

WARNINGS = (
    "-Wall",
    "-Wextra",
    "-Wpedantic",
    "-Wconversion",
    "-Wsign-conversion",
    "-Wdouble-promotion",
    "-Wshadow",
    "-Wcast-qual",
    "-Wundef",
    "-Wvla",
)


def lint(source: CSource, language: str = "c") -> str:
    """What the compiler says of ``source`` under ``WARNINGS``, as C99 ('c') or as C++ ('c++'); empty when it
    says nothing.

    The header is included first and alone, so one that does not stand by itself shows. The harness is looked
    at as C99.
    """
    command, standard = ("cc", "-std=c99") if language == "c" else ("c++", "-std=c++11")
    with scratch_folder() as root:
        alone = f'#include "{source.prefix}.h"\nextern {source.prefix}_reading_t *{source.prefix}_alone;\n'
        files = {"model": source.source, "alone": alone} | (
            {"harness": emit_harness(source)} if language == "c" else {}
        )
        zig.write(
            root, {f"{source.prefix}.h": source.header} | {f"{unit}.c": text for unit, text in files.items()}
        )
        outputs = [
            zig.says(root, command, "-x", language, standard, *WARNINGS, "-c", f"{unit}.c", "-o", f"{unit}.o")
            for unit in files
        ]
    return "".join(text for _, text in outputs)
