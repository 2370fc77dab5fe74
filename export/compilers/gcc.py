"""The same C through the arm-none-eabi-gcc of this computer, where there is one: its bytes and cycles
stand beside the measured ones and decide nothing.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

from dataset.errors import ToolError
from dataset.files.scratch import scratch_folder
from export.c.fragments import GCC_FLAGS, SHARED_FLAGS, SIZE
from export.c.source import CSource
from export.compilers.core_build import core_files, link_flags
from export.compilers.image import FUNCTIONS, Image, read_image
from export.cores import Core, find_core

GCC = "arm-none-eabi-gcc"
_TIMEOUT_S = 120


def gcc_command(core: str) -> str | None:
    """The compiler's command; None when it is not on the PATH or does not know the core."""
    return shutil.which(GCC) if find_core(core).gcc else None


def gcc_version(command: str) -> str:
    """Its version. Raises ToolError when it does not say it."""
    return _run(command, Path("."), "-dumpversion").strip()


def gcc_image(
    command: str,
    source: CSource,
    core: Core,
    flags: Sequence[str] = GCC_FLAGS[SIZE],
    functions: Sequence[str] = FUNCTIONS,
) -> Image:
    """``source`` compiled by the compiler ``command`` with ``flags`` (by default those that the build files
    pass), and ``functions`` of it linked for ``core``. Raises ToolError when it refuses.
    """
    flags = (*core.gcc, "-std=c99", *SHARED_FLAGS, *flags)
    with scratch_folder() as root:
        for name, text in core_files(source).items():
            (root / name).write_text(text, encoding="utf-8", newline="\n")
        for unit in ("model", "sizes"):
            _run(command, root, *flags, "-c", f"{unit}.c", "-o", f"{unit}.o")
        _run(
            command,
            root,
            *flags,
            *link_flags(source.prefix, functions),
            "model.o",
            "sizes.o",
            "-lgcc",
            "-o",
            "model.elf",
        )
        return read_image((root / "model.elf").read_bytes(), source, core, functions)


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
