"""The build files as a firmware's project uses them: what they make is what was measured, whatever flags the
project has.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from export.c.extras import USUAL
from export.c.fragments import fragments
from export.c.source import CSource
from export.compilers.core_build import compile_model, core_files, link_flags
from export.compilers.gcc import GCC
from export.compilers.image import FUNCTIONS, read_image
from export.core.emulator import Machine
from export.core.measure import Chip, measure_source
from export.cores import CORES

CORE = CORES["cortex-m0plus"]


def made(folder: Path, source: CSource, compiler: str, optimise: str = "size") -> Path:
    """The object file that make builds in a project of its own flags, by the bundle's fragment."""
    make = shutil.which("make")
    if make is None:
        pytest.skip("no make on this computer")
    files = {**core_files(source), **fragments("innage", optimise), "innage.c": source.source}
    for name, text in files.items():
        (folder / name).write_text(text)
    (folder / "Makefile").write_text("include innage.mk\nfirmware: $(INNAGE_OBJECT)\n")
    flags = ["CFLAGS=-O0 -g -fno-omit-frame-pointer", f"CC={compiler}"]
    subprocess.run([make, "firmware", *flags], cwd=folder, check=True, capture_output=True)
    return folder / "innage.o"


def code_of(elf: bytes) -> dict[str, bytes]:
    """Code and constants of an object file, by their sections."""
    from elftools.elf.elffile import ELFFile

    sections = ELFFile(io.BytesIO(elf)).iter_sections()
    return {s.name: s.data() for s in sections if s.name.startswith((".text.", ".rodata."))}


@pytest.mark.longer
@pytest.mark.parametrize("optimise", ["size", "speed"])
def test_clang_gets_what_was_measured(all_built: dict[str, Any], optimise: str, tmp_path: Path) -> None:
    """Byte for byte the code that was measured, although the project asks for none of it to be optimised."""
    its = all_built["two_nets"]
    command = tmp_path / "cc"
    target = " ".join(CORE.target)
    command.write_text(f'#!/bin/sh\nexec {sys.executable} -P -m ziglang cc {target} "$@"\n')
    command.chmod(0o700)
    built = made(tmp_path, its.c, str(command), optimise).read_bytes()
    measured = compile_model(its.c, CORE.name, optimise).objects["model.o"]
    assert code_of(built) == code_of(measured)
    assert len(code_of(built)) > len(FUNCTIONS)


@pytest.mark.parametrize("sample", ["strip", "two_nets", "every_op", "forest", "wide"])
def test_gcc_comes_to_about_the_cycles(all_built: dict[str, Any], sample: str, tmp_path: Path) -> None:
    """Built by an arm-none-eabi-gcc, step takes at most 5 % more than the bound that the header states of
    clang, and nothing of a C library is linked.
    """
    command = shutil.which(GCC)
    if command is None:
        pytest.skip(f"no {GCC} on this computer")
    its = all_built[sample]
    bound = measure_source(its.c, its.vectors.head(4), Chip(CORE, 1, 0), "size", USUAL).cost.cycles_bound
    made(tmp_path, its.c, f"{command} {' '.join(CORE.gcc)}")
    (tmp_path / "innage.o").rename(tmp_path / "model.o")
    linking = (*link_flags("innage"), "model.o", "sizes.o", "-lgcc", "-o", "model.elf")
    for arguments in (("-c", "sizes.c", "-o", "sizes.o"), linking):
        subprocess.run([command, *CORE.gcc, *arguments], cwd=tmp_path, check=True, capture_output=True)
    image = read_image((tmp_path / "model.elf").read_bytes(), its.c, CORE)
    run = Machine(image).run(its.vectors)
    assert (run.readings == its.vectors.readings).all()
    assert image.helpers == 0
    assert run.cycles.max() <= 1.05 * (bound or 0)
