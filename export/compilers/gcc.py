"""The same C through the arm-none-eabi-gcc of this computer, where there is one: its bytes stand beside the
measured ones and decide nothing.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from dataset.errors import ToolError
from dataset.files.scratch import scratch_folder
from export.c.source import CSource
from export.compilers.toolchain import OPTIMISE, Image, core_files, link_flags, read_image
from export.cores import Core, find_core

GCC = "arm-none-eabi-gcc"
# Loops that clear or copy stay loops: as calls they would need a C library, which is not linked here.
_FLAGS = (
    "-std=c99",
    "-ffunction-sections",
    "-fdata-sections",
    "-fomit-frame-pointer",
    "-fno-unwind-tables",
    "-fno-asynchronous-unwind-tables",
    "-fno-tree-loop-distribute-patterns",
)
_TIMEOUT_S = 120


@dataclass(frozen=True)
class GccSizes:
    """What that compiler and its linker make of the C, in bytes; ``refusal`` in place of them when
    it refused.
    """

    version: str
    code: int = 0
    tables: int = 0
    helpers: int = 0
    refusal: str = ""

    @property
    def flash(self) -> int:
        return self.code + self.tables + self.helpers


def gcc_sizes(source: CSource, core: str, optimise: str = "size") -> GccSizes | None:
    """Sizes of ``source`` for ``core``; None when the compiler is not on the PATH or does not
    know the core.
    """
    command, chosen = shutil.which(GCC), find_core(core)
    if command is None or not chosen.gcc:
        return None
    version = ""
    try:
        version = _run(command, Path("."), "-dumpversion").strip()
        image = gcc_image(command, source, chosen, optimise)
    except ToolError as error:
        return GccSizes(version, refusal=str(error))
    return GccSizes(version, image.code, image.tables, image.helpers)


def gcc_image(
    command: str, source: CSource, core: Core, optimise: str = "size", flags: Sequence[str] = ()
) -> Image:
    """``source`` compiled by the compiler ``command``, with ``flags`` besides the usual, and linked for
    ``core``. Raises ToolError when it refuses.
    """
    flags = (*core.gcc, OPTIMISE[optimise], *_FLAGS, *flags)
    with scratch_folder() as root:
        for name, text in core_files(source).items():
            (root / name).write_text(text, encoding="utf-8", newline="\n")
        for unit in ("model", "sizes"):
            _run(command, root, *flags, "-c", f"{unit}.c", "-o", f"{unit}.o")
        _run(
            command,
            root,
            *flags,
            *link_flags(source.prefix),
            "model.o",
            "sizes.o",
            "-lgcc",
            "-o",
            "model.elf",
        )
        return read_image((root / "model.elf").read_bytes(), source, core)


def _run(command: str, folder: Path, *arguments: str) -> str:
    try:
        done = subprocess.run(
            [command, *arguments], cwd=folder, capture_output=True, timeout=_TIMEOUT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ToolError(GCC, str(error), "a build that ends") from error
    if done.returncode:
        lines = done.stderr.decode(errors="replace").splitlines()
        messages = [line.strip() for line in lines if line.strip()]
        raise ToolError(
            GCC, "; ".join(messages[:3]) or f"stopped with code {done.returncode}", "a build without errors"
        )
    return done.stdout.decode(errors="replace")
