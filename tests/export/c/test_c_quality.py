"""The C under other compilers, standards, word sizes and sanitizers, without floating point, and under a
static analyser.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from freestanding import build_freestanding

from export.c.fragments import fragments
from export.c.source import CSource, emit_c
from export.compilers import zig
from export.compilers.host_build import HostProgram, emit_harness, run_host
from export.compilers.linting import WARNINGS

# Rules of MISRA C:2012 that the header lists as deviations.
LISTED = {"2.2", "2.3", "2.5", "2.7", "8.7", "10.1", "10.6", "10.8", "11.3", "11.5", "15.5", "17.3", "17.8"}


@pytest.fixture(scope="module")
def every_model(all_built: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the C of every sample, each under its own name, plain and with packed words, an
    example of use, and what runs vectors on a board.
    """
    root = tmp_path_factory.mktemp("models")
    for name, its in all_built.items():
        for prefix, source in (
            (name, emit_c(its.program, name)),
            (f"{name}_fast", emit_c(its.program, f"{name}_fast", kernels="fast")),
        ):
            (root / f"{prefix}.h").write_text(source.header)
            (root / f"{prefix}.c").write_text(source.source)
    for prefix, told in (("strip", False), ("told", True)):
        for name in (f"{prefix}_example.c", f"{prefix}_board.c"):
            (root / name).write_text(fragments(prefix, told=told)[name])
    return root


def sources(root: Path) -> list[str]:
    return sorted(path.name for path in root.glob("*.c"))


def said(command: list[str], folder: Path) -> str:
    """What a compiler prints; a failure counts as something printed."""
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    return done.stderr + (f"exit {done.returncode}" if done.returncode else "")


@pytest.mark.slow
@pytest.mark.parametrize(("tool", "standard"), [("gcc", "-std=c99"), ("g++", "-std=c++17")])
def test_the_other_compiler_says_nothing(every_model: Path, tool: str, standard: str) -> None:
    """GCC, optimising so that it follows values, has no warning for any model, as C99 and as C++17."""
    language = ["-x", "c++"] if tool == "g++" else []
    assert (
        said(
            [_tool(tool), *language, standard, "-O2", *WARNINGS, "-Werror", "-c", *sources(every_model)],
            every_model,
        )
        == ""
    )


def test_the_other_compiler_sees_a_warning(tmp_path: Path) -> None:
    """A cast that takes const away is reported, so silence means something."""
    (tmp_path / "odd.c").write_text("int *f(const int *p);\nint *f(const int *p) { return (int *)p; }\n")
    assert "-Wcast-qual" in said([_tool("gcc"), "-std=c99", *WARNINGS, "-c", "odd.c"], tmp_path)


@pytest.mark.longer
def test_general_registers_suffice(every_model: Path) -> None:
    """With every register of floating point forbidden the models compile; a function that halves a number
    does not.
    """
    command = [_tool("gcc"), "-mgeneral-regs-only", "-O1", "-std=c99", "-Werror", "-c"]
    assert said([*command, *sources(every_model)], every_model) == ""
    (every_model / "half.txt").write_text("double half(int a);\ndouble half(int a) { return a * 0.5; }\n")
    assert "error" in said([*command, "-x", "c", "half.txt", "-o", "half.o"], every_model)


@pytest.mark.longer
@pytest.mark.parametrize(
    "name",
    ["strip", pytest.param("wide", marks=pytest.mark.slow), pytest.param("every_op", marks=pytest.mark.slow)],
)
def test_addresses_and_undefined_behaviour(all_built: dict[str, Any], tmp_path: Path, name: str) -> None:
    """Under the address and the undefined-behaviour sanitizer, neither recovering, every vector comes out
    right: no stray access.
    """
    its = all_built[name]
    flags = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-std=c99"]
    host = built_with([_tool("gcc"), *flags], its.c, tmp_path)
    readings, state = run_host(host, its.vectors)
    np.testing.assert_array_equal(readings, its.vectors.readings)
    np.testing.assert_array_equal(state, its.vectors.state)


@pytest.mark.longer
def test_words_of_32_bits(all_built: dict[str, Any], tmp_path: Path) -> None:
    """As a program of 32 bits (what -m32 makes) the C gives the same readings and states."""
    its = all_built["every_op"]
    write(tmp_path, its.c)
    binary = build_freestanding(tmp_path, "harness.c", "innage.c")
    assert binary[4] == 1  # EI_CLASS: 32 bits
    try:
        readings, state = run_host(HostProgram(binary, its.program.state_size), its.vectors)
    except OSError as error:
        pytest.skip(f"this computer runs no programs of 32 bits ({error})")
    np.testing.assert_array_equal(readings, its.vectors.readings)
    np.testing.assert_array_equal(state, its.vectors.state)


@pytest.mark.slow
@pytest.mark.parametrize("optimise", ["-O0", "-Os", "-O3"])
def test_every_optimisation_of_both_compilers(
    all_built: dict[str, Any], tmp_path: Path, optimise: str
) -> None:
    """GCC and clang, unoptimised, for size and for speed: the same readings and states of every sample."""
    for name, its in all_built.items():
        for tool in ("gcc", "clang"):
            folder = tmp_path / f"{name}-{tool}"
            folder.mkdir()
            if tool == "clang":
                write(folder, its.c)
                zig.run(folder, "cc", optimise, "-std=c99", "harness.c", "innage.c", "-o", "harness")
                host = HostProgram((folder / "harness").read_bytes(), its.program.state_size)
            else:
                host = built_with([_tool("gcc"), optimise, "-std=c99"], its.c, folder)
            readings, state = run_host(host, its.vectors)
            np.testing.assert_array_equal(readings, its.vectors.readings)
            np.testing.assert_array_equal(state, its.vectors.state)


@pytest.mark.slow
def test_a_static_analyser_finds_only_what_the_header_lists(every_model: Path) -> None:
    """The analyser cppcheck with its MISRA addon: no rule but those of the header's list, and nothing else
    beyond style.
    """
    flags = [
        "--addon=misra",
        "--enable=warning,style,portability",
        "--std=c99",
        "--template={severity} {id}",
        "--suppress=missingIncludeSystem",
    ]
    names = [
        name for name in sources(every_model) if not name.endswith(("_fast.c", "_example.c", "_board.c"))
    ]
    done = subprocess.run(
        [_tool("cppcheck"), *flags, *names], cwd=every_model, capture_output=True, text=True, check=False
    )
    found = {tuple(line.split(" ", 1)) for line in done.stderr.splitlines()}
    rules = {what.removeprefix("misra-c2012-") for _, what in found if what.startswith("misra-c2012-")}
    assert rules <= LISTED
    assert "10.1" in rules  # so the addon was at work
    assert not [what for severity, what in found if severity in ("error", "warning", "portability")]


def test_listed_deviations_stand_in_the_header(all_built: dict[str, Any]) -> None:
    """The rules that the analyser may name are those that a reader of the header finds."""
    text = all_built["strip"].c.header
    block = text[text.index("DEVIATIONS FROM MISRA") : text.index("#ifndef")]
    assert set(re.findall(r"Rule (\d+\.\d+)", block)) == LISTED


def built_with(command: list[str], source: CSource, folder: Path) -> HostProgram:
    write(folder, source)
    subprocess.run(
        [*command, "harness.c", "innage.c", "-o", "harness"], cwd=folder, check=True, capture_output=True
    )
    states = re.search(r"STATE_VALUES (\d+)U", source.header)
    assert states is not None
    return HostProgram((folder / "harness").read_bytes(), int(states[1]))


def write(folder: Path, source: CSource) -> None:
    for name, text in (
        ("innage.h", source.header),
        ("innage.c", source.source),
        ("harness.c", emit_harness(source)),
    ):
        (folder / name).write_text(text)


def _tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"no {name} on this computer")
    return found
