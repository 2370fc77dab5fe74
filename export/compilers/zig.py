"""The C compiler that the ``ziglang`` package brings, run under relative names in a folder of its own, so
that no path of this computer enters what is built.
"""

from __future__ import annotations

import importlib.util
import os
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from dataset.errors import ToolError
from dataset.files.scratch import private_folder

TIMEOUT_S = 600  # a first link builds the compiler's own helpers
_ERROR_LINES = 6


def run(root: Path, *arguments: str) -> None:
    """One run of the compiler in ``root``. Raises ToolError with its first lines when it refuses."""
    code, messages = says(root, *arguments)
    if code:
        raise ToolError(
            "the C compiler",
            first_lines(messages.encode()) or f"stopped with code {code}",
            "a build without errors",
        )


def says(root: Path, *arguments: str) -> tuple[int, str]:
    """Exit code and messages of one run of the compiler."""
    package = importlib.util.find_spec("ziglang")
    if package is None or package.origin is None:
        raise ToolError(
            "the C compiler",
            "the package 'ziglang' is not installed",
            "",
            "install innage with its dependencies",
        )
    # as "python -m ziglang" does, without the start of Python, which takes as long as a small build
    command: Sequence[str] = [str(Path(package.origin).with_name("zig")), *arguments]
    try:
        done = subprocess.run(
            command, cwd=root, env=environment(), capture_output=True, timeout=TIMEOUT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ToolError("the C compiler", str(error), "a build that ends") from error
    return done.returncode, done.stderr.decode(errors="replace")


def environment() -> dict[str, str]:
    """The compiler keeps its own helpers in a cache in the home folder, and does not start without one; where
    that is not known or cannot be written, they go to a folder of the user's among the temporary ones. What
    stands there is linked into what is measured and run: nobody else may have put it there.
    """
    variables = dict(os.environ)
    if "ZIG_GLOBAL_CACHE_DIR" not in variables:
        home = variables.get("HOME" if os.name == "posix" else "USERPROFILE", "")
        cache = Path(home) / ".cache"
        if not home or not os.access(cache if cache.exists() else home, os.W_OK):
            variables["ZIG_GLOBAL_CACHE_DIR"] = str(private_folder("zig-cache"))
    return variables


def write(root: Path, files: Mapping[str, str]) -> None:
    """Texts by name into ``root``, with line ends of one kind on every system."""
    for name, text in files.items():
        (root / name).write_text(text, encoding="utf-8", newline="\n")


def first_lines(messages: bytes) -> str:
    """What a refusal quotes of a compiler's or program's messages: the first lines that are not empty."""
    lines = [line.strip() for line in messages.decode(errors="replace").splitlines() if line.strip()]
    return "; ".join(lines[:_ERROR_LINES])
