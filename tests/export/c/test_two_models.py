"""Models in a project: two of them in one firmware, on this computer and on a core, built through the
fragments that come with them.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from elftools.elf.sections import SymbolTableSection

from export.c.fragments import fragments
from export.c.source import CSource, emit_c
from export.compilers import zig
from export.compilers.linting import WARNINGS
from export.cores import CORES
from export.evidence.known_answer import known_answer
from export.identity import identity_bytes

# The known answers of both models, by their interface alone; prints the last level of each.
_MAIN = """
#include "rinse.h"
#include "canister.h"
#include <stdio.h>
{rinse}
{canister}
int main(void)
{{
    (void)printf("%ld %ld\\n", (long)rinse_last(), (long)canister_last());
    return (rinse_model_id() == canister_model_id()) ? 1 : 0;
}}
"""

_LAST = """
static int32_t {p}_last(void)
{{
    static {p}_state_t state;
    static {p}_prepared_t prepared;
    static {p}_scratch_t scratch;
    static {p}_selftest_t test;
    static const {p}_count_t trim[] = {{{trim}}};
    static const {p}_count_t counts[] = {{{counts}}};
    {p}_reading_t reading = {{0, 0, 0, 0U, 0U, 0U}};
    uint8_t answer = {P}_SELFTEST_RUNNING;
    {p}_selftest_init(&test, &scratch);
    while (answer == {P}_SELFTEST_RUNNING) {{
        answer = {p}_selftest_slice(&test, 100U);
    }}
    {p}_init(&state);
    if ((answer != {P}_SELFTEST_OK) || !{p}_prepare(&prepared, trim)) {{
        return -2;
    }}
    for (int k = 0; k < {frames}; ++k) {{
        (void){p}_step(&state, &prepared, &scratch, counts, {temperature}, 0U, &reading);
    }}
    return reading.level;
}}
"""


@pytest.fixture(scope="module")
def project(all_built: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two models, their fragments, and a main that uses both."""
    root = tmp_path_factory.mktemp("project")
    last = {}
    for prefix, name in (("rinse", "strip"), ("canister", "every_op")):
        program = all_built[name].program
        _write(root / prefix, emit_c(program, prefix), fragments(prefix))
        known = known_answer(program)
        given = {"trim": known.trim, "counts": known.rows[0]}
        listed = {key: ", ".join(f"{v}U" for v in values) for key, values in given.items()}
        last[prefix] = _LAST.format(
            p=prefix, P=prefix.upper(), frames=known.lead + 1, temperature=known.temperature, **listed
        )
    (root / "main.c").write_text(_MAIN.format(**last))
    return root


def _write(folder: Path, source: CSource, others: dict[str, str]) -> None:
    folder.mkdir()
    files = {f"{source.prefix}.h": source.header, f"{source.prefix}.c": source.source, **others}
    for name, text in files.items():
        (folder / name).write_text(text)


@pytest.fixture(scope="module")
def levels(all_built: dict[str, Any]) -> str:
    """What main must print: the levels that the interpreter gives."""
    known = [known_answer(all_built[name].program) for name in ("strip", "every_op")]
    found = [answer.readings[answer.lead][1] for answer in known]
    assert len(set(found)) == 2
    assert min(found) >= 0
    return f"{found[0]} {found[1]}\n"


def run(binary: Path, expected: str) -> None:
    done = subprocess.run([binary], capture_output=True, text=True, check=False)
    assert (done.stdout, done.returncode) == (expected, 0)


def test_a_makefile_with_two_models(project: Path, levels: str) -> None:
    """Make with both fragments builds a program in which each model gives its own interpreter's level."""
    make = _tool("make")
    (project / "Makefile").write_text(
        "include rinse/rinse.mk\ninclude canister/canister.mk\n"
        "firmware: main.o $(RINSE_OBJECT) $(CANISTER_OBJECT)\n\t$(CC) $^ -o $@\n"
        "main.o: CPPFLAGS += $(RINSE_INCLUDE) $(CANISTER_INCLUDE)\n"
    )
    _tool("cc")
    subprocess.run(
        [make, "firmware", f"CFLAGS=-Werror {' '.join(WARNINGS)}"],
        cwd=project,
        check=True,
        capture_output=True,
    )
    run(project / "firmware", levels)


@pytest.mark.slow
def test_a_cmake_project_with_two_models(project: Path, levels: str) -> None:
    """CMake with both fragments does the same."""
    cmake = _tool("cmake")
    _tool("cc")
    (project / "CMakeLists.txt").write_text(
        "cmake_minimum_required(VERSION 3.13)\nproject(firmware "
        "C)\ninclude(rinse/rinse.cmake)\ninclude(canister/canister.cmake)\n"
        "add_executable(firmware main.c)\ntarget_link_libraries(firmware PRIVATE rinse canister)\n"
    )
    for arguments in (["-S", ".", "-B", "build"], ["--build", "build"]):
        subprocess.run([cmake, *arguments], cwd=project, check=True, capture_output=True)
    run(project / "build" / "firmware", levels)


@pytest.mark.slow
def test_two_models_link_for_a_core(project: Path) -> None:
    """Both models go into one image for the core, and no symbol that is seen from outside lacks its model's
    prefix.
    """
    from elftools.elf.elffile import ELFFile

    target = CORES["cortex-m0plus"].target
    for prefix in ("rinse", "canister"):
        zig.run(
            project, "cc", *target, "-std=c99", "-Os", "-c", f"{prefix}/{prefix}.c", "-o", f"{prefix}-core.o"
        )
    zig.run(
        project,
        "cc",
        *target,
        "-nostdlib",
        "-Wl,-e,rinse_step",
        "-Wl,-u,canister_step",
        "rinse-core.o",
        "canister-core.o",
        "-lcompiler_rt",
        "-o",
        "both.elf",
    )
    with (project / "both.elf").open("rb") as opened:
        table = ELFFile(opened).get_section_by_name(".symtab")
        assert isinstance(table, SymbolTableSection)
        symbols = list(table.iter_symbols())
    seen = {s.name for s in symbols if s["st_info"]["bind"] == "STB_GLOBAL" and s["st_shndx"] != "SHN_UNDEF"}
    assert {"rinse_step", "canister_step", "rinse_tables_length", "canister_tables_crc32"} <= seen
    assert not [s for s in seen if not s.startswith(("rinse_", "canister_", "__"))]


def test_code_and_tables_go_where_the_macros_say(all_built: dict[str, Any], tmp_path: Path) -> None:
    """As docs/firmware.md has it: with both macros defined no code and nothing constant is left elsewhere,
    and nothing is written to.
    """
    from elftools.elf.elffile import ELFFile

    folder = tmp_path / "model"
    _write(folder, all_built["strip"].c, {})
    places = [
        f'-DINNAGE_{what}_SECTION=__attribute__((section("{name}")))'
        for what, name in (("CODE", ".level_code"), ("TABLE", ".level_tables"))
    ]
    core = CORES["cortex-m0plus"].target
    zig.run(folder, "cc", *core, "-std=c99", "-Os", *places, "-c", "innage.c", "-o", "innage.o")
    with (folder / "innage.o").open("rb") as opened:
        elf = ELFFile(opened)
        sections = {s.name: s["sh_size"] for s in elf.iter_sections() if s["sh_flags"] & 2 and s["sh_size"]}
        table = elf.get_section_by_name(".symtab")
        assert isinstance(table, SymbolTableSection)
        home = {
            symbol.name: elf.get_section(symbol["st_shndx"]).name
            for symbol in table.iter_symbols()
            if symbol.name.startswith("innage_") and isinstance(symbol["st_shndx"], int)
        }
    placed = {name for name in sections if not name.startswith(".ARM.")}
    assert placed <= {".level_code", ".level_tables"}
    assert {home[f"innage_{name}"] for name in ("step", "prepare", "init", "selftest_slice")} == {
        ".level_code"
    }
    assert {home[f"innage_{name}"] for name in ("tables", "tables_crc32", "identity")} == {".level_tables"}


@pytest.mark.slow  # the compiler makes its C library for the computer first
def test_the_example_compiles_and_stays_safe(all_built: dict[str, Any], tmp_path: Path) -> None:
    """The example compiles without a word under every warning, and without a stored trim it stops: the model
    never runs.
    """
    its = all_built["strip"]
    _write(tmp_path / "model", its.c, fragments("innage"))
    zig.run(
        tmp_path,
        "cc",
        "-std=c99",
        "-Werror",
        *WARNINGS,
        "model/innage_example.c",
        "model/innage.c",
        "-o",
        "example",
    )
    assert subprocess.run([tmp_path / "example"], check=False, capture_output=True).returncode == 1


@pytest.mark.parametrize(
    ("name", "code", "said"),
    [
        (
            "strip",
            1,
            r"no usable trim is stored: see INNAGE_TRIM_ in innage\.h \(answer {answer}\)\n{stopped}",
        ),
        (
            "constant",
            0,
            r"identity {identity}\n100 frames .*: pump off, heater off, inlet closed; a board goes on\n",
        ),
    ],
)
def test_the_example_says_what_it_found(
    all_built: dict[str, Any], tmp_path: Path, name: str, code: int, said: str
) -> None:
    """Run on a computer, where there is no board, it ends and says why: the missing trim with the header's
    number for it, else the model's identity and what the outputs were left at.
    """
    its = all_built[name]
    folder = tmp_path / "model"
    _write(folder, its.c, fragments("innage"))
    command = [
        _tool("gcc"),
        "-std=c99",
        "-Werror",
        *WARNINGS,
        "innage_example.c",
        "innage.c",
        "-o",
        "example",
    ]
    subprocess.run(command, cwd=folder, check=True)
    done = subprocess.run([folder / "example"], capture_output=True, text=True, timeout=60, check=False)
    (answer,) = re.findall(r"#define INNAGE_TRIM_BAD_MAGIC (\d+)U", its.c.header)
    identity = identity_bytes(its.program).hex()
    expected = said.format(answer=answer, identity=identity, stopped=r"level sensing has stopped\n")
    assert done.returncode == code
    assert re.fullmatch(expected, done.stdout), done.stdout


_ON_THE_EXAMPLE = """
#define main example_main
#include "model/innage_example.c"
#undef main

/* How many frames alike are taken, and whether another one is. */
static uint32_t taken_alike(void)
{
    innage_count_t counts[INNAGE_CHANNELS] = {5U};
    uint32_t taken = 0U;
    while (is_new(counts) && (taken < 1000U)) ++taken;
    counts[INNAGE_CHANNELS - 1U] ^= 1U;
    return is_new(counts) ? taken : 0U;
}

static int outputs(int32_t low, int32_t high)
{
    innage_reading_t reading = {0};
    reading.low = low;
    reading.high = high;
    go_by(&reading);
    return (pumping ? 1 : 0) + (heating ? 2 : 0) + (filling ? 4 : 0);
}

int main(void)
{
    const int32_t mm = INNAGE_UNITS_PER_MM, full = INNAGE_SPAN;
    uint32_t frames = 0U;
    (void)example_main;
    safe_state();
    if (outputs(12 * mm, 12 * mm) != 4) return 2;          /* between pump off and on: stays off */
    if (outputs(16 * mm, 16 * mm) != 5) return 3;
    if (outputs(12 * mm, 12 * mm) != 5) return 4;          /* stays on */
    if (outputs(26 * mm, full - 12 * mm) != 7) return 5;   /* the inlet stays open up to its upper level */
    if (outputs(22 * mm, full - 9 * mm) != 3) return 6;
    if (outputs(19 * mm, full - 12 * mm) != 1) return 7;   /* the heater goes first, the inlet stays closed */
    if (outputs(9 * mm, full - 16 * mm) != 4) return 8;
    (void)outputs(30 * mm, full);
    if (taken_alike() != ALIKE_MOST) return 11;            /* the first of them is new */
    if (taken_alike() != ALIKE_MOST) return 12;
    innage_selftest_init(&test, &scratch);
    (void)innage_selftest_slice(&test, 1U);
    test.crc ^= 1U;                                        /* as a damaged table would have it */
    while (frame() && (frames < 100000U)) ++frames;
    if (frames >= 100000U || pumping || heating || filling) return 9;
    return (damage_is_stored() && !power_on()) ? 0 : 10;
}
"""


@pytest.mark.slow  # the compiler makes its C library for the computer first
def test_the_example_switches_with_hysteresis_and_remembers_damage(
    all_built: dict[str, Any], tmp_path: Path
) -> None:
    """Each output between its two levels stays as it was; frames alike are taken for so long, and again after
    another one; a self-test that says BAD stops at once and for good.
    """
    its = all_built["strip"]
    _write(tmp_path / "model", its.c, fragments("innage"))
    (tmp_path / "check.c").write_text(_ON_THE_EXAMPLE)
    zig.run(tmp_path, "cc", "-std=c99", "-I.", "check.c", "model/innage.c", "-o", "check")
    assert subprocess.run([tmp_path / "check"], check=False).returncode == 0


def _tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"no {name} on this computer")
    return found
