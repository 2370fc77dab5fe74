"""Compiles exported C for this computer, with checks for undefined behaviour, and runs it on vectors."""

from __future__ import annotations

import hashlib
import io
import json
import platform
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import numpy as np

from dataset.errors import ToolError
from dataset.files.kept import keep, read_kept
from dataset.files.scratch import scratch_folder
from export.c.source import CSource
from export.c.text import fill, template
from export.compilers import zig
from export.vectors import Vectors, to_csv
from training.program import OUTPUTS, Array

_HOST_UNITS = ("harness.c", "model.c")
_HOST_ROOM = "compiled"
_TAKE_POUR = "        const int32_t since_pour = (int32_t)next_number(&text);\n"


@dataclass(frozen=True)
class HostProgram:
    """The harness and the exported C, built for this computer."""

    binary: bytes
    state_values: int


def build_host(source: CSource, checked: bool = True) -> HostProgram:
    """Compile ``source`` and its harness for this computer.

    ``checked``: any undefined behaviour stops the program; else a plain optimised build.
    """
    files = _host_files(source)
    with scratch_folder() as root:
        zig.write(root, files)
        zig.run(root, "cc", *_host_flags(checked), *_HOST_UNITS, "-o", "harness")
        return HostProgram((root / "harness").read_bytes(), source.layout.state.elements)


def kept_host(source: CSource) -> HostProgram:
    """As :func:`build_host` with its checks, or what it once gave for the same C: kept in the user's cache
    folder, for the texts, the compiler, this installation and this computer together, and taken from there
    only where nobody else could have written it and its hash holds.
    """
    built_from = {
        "files": _host_files(source),
        "flags": _host_flags(checked=True),
        "compiler": version("ziglang"),
        "installed": str(Path(__file__).resolve()),
        "computer": platform.uname()._asdict(),
    }
    name = hashlib.sha256(json.dumps(built_from, sort_keys=True).encode()).hexdigest()
    binary = read_kept(_HOST_ROOM, name)
    if binary is None:
        binary = build_host(source).binary
        keep(_HOST_ROOM, name, binary)
    return HostProgram(binary, source.layout.state.elements)


def _host_files(source: CSource) -> Mapping[str, str]:
    """The files that a build for this computer is made from."""
    return {
        f"{source.prefix}.h": source.header,
        "model.c": source.source,
        "harness.c": emit_harness(source),
    }


def _host_flags(checked: bool) -> tuple[str, ...]:
    trapping = ("-O1", "-fsanitize=undefined", "-fsanitize-trap=undefined")
    return ("-std=c99", "-g0", *(trapping if checked else ("-O2", "-fno-sanitize=all")))


def compile_host(root: Path, unit: str, *flags: str) -> bytes:
    """One file in ``root``, which includes all it needs, as a program for this computer that stops on
    undefined behaviour; built fast.

    C++ too goes through the driver for C: that for C++ first builds the library of C++, minutes on a new
    machine, and none of it is used.
    """
    zig.run(
        root,
        "cc",
        "-g0",
        "-O0",
        "-fsanitize=undefined",
        "-fsanitize-trap=undefined",
        *flags,
        unit,
        "-o",
        "program",
    )
    return (root / "program").read_bytes()


def run_host(host: HostProgram, vectors: Vectors) -> tuple[Array, Array]:
    """Run the vectors' inputs; gives readings of shape (n, 6) and the state after each frame, (n, state
    size).

    Raises ToolError when the program stops early: undefined behaviour, a failed self-test, a refused trim.
    """
    return run_rows(host, to_csv(vectors).encode(), len(vectors))


def run_rows(host: HostProgram, rows: bytes, frames: int) -> tuple[Array, Array]:
    """As :func:`run_host` on ``frames`` lines of the harness's text: first, trim, counts, temperature,
    faults, and the seconds since the last pour of a program that is told.
    """
    with scratch_folder() as folder:
        path = folder / "harness"
        path.write_bytes(host.binary)
        path.chmod(0o700)
        done = subprocess.run(
            [str(path)], input=rows, capture_output=True, timeout=zig.TIMEOUT_S, check=False
        )
    if done.returncode:
        reason = zig.first_lines(done.stderr) or "undefined behaviour"
        raise ToolError("the C on this computer", f"stopped with code {done.returncode} ({reason})")
    printed = np.loadtxt(io.BytesIO(done.stdout), dtype=np.int64, delimiter=",", ndmin=2)
    if printed.shape != (frames, len(OUTPUTS) + host.state_values):
        raise ToolError(
            "the C on this computer",
            f"{printed.shape} numbers printed",
            f"{frames} rows of {len(OUTPUTS) + host.state_values}",
        )
    return printed[:, : len(OUTPUTS)], printed[:, len(OUTPUTS) :]


def emit_harness(source: CSource) -> str:
    """The text of the harness for ``source``: rows of vectors in, readings out, no test in it."""
    prints = []
    for member in source.layout.state.values:
        value = f"print_value((long)state->{member.name}{'[k]' if member.shape else ''});"
        prints.append(
            f"    for (size_t k = 0U; k < {member.elements}U; ++k) {{\n        {value}\n    }}"
            if member.shape
            else f"    {value}"
        )
    gaps = {
        "prefix": source.prefix,
        "PREFIX": source.prefix.upper(),
        "state": "\n".join(prints) or "    (void)state;",
        "take_pour": _TAKE_POUR if source.told else "",
        "pour": " since_pour," if source.told else "",
    }
    return fill(template("harness.c"), gaps)
