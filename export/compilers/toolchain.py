"""Compiles exported C: for the budget's core, and for this computer with checks for undefined behaviour.

Everything is built in a temporary directory under relative names, so that no path of this computer enters
what is built. The compiler is the one that the ``ziglang`` package brings.
"""

from __future__ import annotations

import hashlib
import importlib.util
import io
import json
import os
import platform
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from dataset.errors import ToolError
from dataset.files.kept import keep, read_kept
from dataset.files.scratch import private_folder, scratch_folder
from export.c.fragments import CLANG_FLAGS, SHARED_FLAGS
from export.c.memory import MemoryLayout
from export.c.source import CSource
from export.c.text import fill, template
from export.cores import Core, find_core
from export.vectors import Vectors, to_csv
from training.program import OUTPUTS, Array

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
FUNCTIONS = (
    "api_version",
    "model_id",
    "tables_start",
    "selftest",
    "prepare",
    "init",
    "step",
    "trim_check",
    "selftest_init",
    "selftest_slice",
)
ON_REQUEST = ("volume_ml",)  # counted where a model has it

_UNITS = ("model", "sizes")
_HOST_UNITS = ("harness.c", "model.c")
_HOST_ROOM = "compiled"
_TIMEOUT_S = 600  # a first link builds the compiler's own helpers
_ERROR_LINES = 6


OPTIMISE = {"size": "-Os", "speed": "-O2"}
# No unwind tables, since their stubs would be linked and counted; frame pointers only cost stack.
_CORE_FLAGS = ("-std=c99", *SHARED_FLAGS, "-fno-sanitize=all", "-fno-exceptions")


@dataclass(frozen=True)
class Image:
    """One exported model, linked for a core.

    ``flash`` is what stands at ``flash_start``. ``code`` counts the exported file's instructions and
    constants between them, ``tables`` its tables and, where the self-test is linked, what its known answer
    is asked with, ``helpers`` what the linker took from the compiler's library (division), all in bytes; they
    add up to ``len(flash)``. ``symbols`` gives addresses (bit 0 cleared), ``functions`` those of functions.
    Sizes are ``sizeof`` as the core's compiler sees it. ``told``: as of its source.
    """

    prefix: str
    core: Core
    flash_start: int
    flash: bytes
    symbols: Mapping[str, int]
    code: int
    tables: int
    helpers: int
    state_size: int
    prepared_size: int
    scratch_size: int
    reading_size: int
    selftest_size: int
    count_size: int
    channels: int
    trim_counts: int
    layout: MemoryLayout = field(default_factory=MemoryLayout)
    functions: frozenset[int] = frozenset()
    told: bool = False

    def content(self, address: int, size: int) -> bytes:
        """``size`` bytes of the flash at ``address``."""
        return self.flash[address - self.flash_start : address - self.flash_start + size]

    @property
    def constants(self) -> range:
        """The addresses of what ``tables`` counts."""
        names = (f"{self.prefix}_{name}" for name in ("tables", "known_counts", "known_trim", "identity"))
        start = min((self.symbols[n] for n in names if n in self.symbols), default=self.flash_start)
        return range(start, start + self.tables)

    @property
    def ram(self) -> int:
        return self.state_size + self.prepared_size + self.scratch_size


@dataclass(frozen=True)
class HostProgram:
    """The harness and the exported C, built for this computer."""

    binary: bytes
    state_values: int


@dataclass(frozen=True)
class Compiled:
    """C compiled for a core and not yet linked: object files by their names."""

    source: CSource
    core: Core
    objects: Mapping[str, bytes]


def build_core(
    source: CSource, core: str = "cortex-m0plus", optimise: str = "size", defines: Sequence[str] = ()
) -> Image:
    """Compile and link ``source`` for ``core``, smallest code first or fastest (a key of ``OPTIMISE``), with
    macros defined, and every function of the interface kept.

    Raises ToolError when the compiler refuses it.
    """
    return link_model(compile_model(source, core, optimise, defines))


def compile_model(
    source: CSource, core: str = "cortex-m0plus", optimise: str = "size", defines: Sequence[str] = ()
) -> Compiled:
    """As :func:`build_core`, without the link."""
    chosen = find_core(core)
    flags = (*chosen.target, *CLANG_FLAGS[optimise], *_CORE_FLAGS, *(f"-D{name}" for name in defines))
    with scratch_folder() as root:
        _write(root, core_files(source))
        for unit in _UNITS:
            _zig(root, "cc", *flags, "-c", f"{unit}.c", "-o", f"{unit}.o")
        return Compiled(source, chosen, {f"{unit}.o": (root / f"{unit}.o").read_bytes() for unit in _UNITS})


def link_model(compiled: Compiled, functions: Sequence[str] = FUNCTIONS) -> Image:
    """Link ``compiled`` with ``functions`` of the interface (names without the prefix), and what they use."""
    source, core = compiled.source, compiled.core
    with scratch_folder() as root:
        _write(root, core_files(source))
        for name, content in compiled.objects.items():
            (root / name).write_bytes(content)
        _zig(
            root,
            "cc",
            *core.target,
            OPTIMISE["size"],
            *_CORE_FLAGS,
            *link_flags(source.prefix, functions),
            "-lcompiler_rt",
            *compiled.objects,
            "-o",
            "model.elf",
        )
        return read_image((root / "model.elf").read_bytes(), source, core, functions)


def compiler_name(optimise: str) -> str:
    """What compiled for a core, as figures name it."""
    return f"clang of ziglang {version('ziglang')} {OPTIMISE[optimise]}"


def link_core(
    core: Core, files: Mapping[str, str], optimise: str, defines: Sequence[str], script: str, entry: str
) -> bytes:
    """An ELF file for ``core`` of all C files among ``files``, placed by ``script``, one of them; what
    ``entry`` does not reach is left out.
    """
    flags = (*core.target, OPTIMISE[optimise], *_CORE_FLAGS, *(f"-D{name}" for name in defines))
    units = [name.removesuffix(".c") for name in files if name.endswith(".c")]
    with scratch_folder() as root:
        _write(root, files)
        for unit in units:
            _zig(root, "cc", *flags, "-c", f"{unit}.c", "-o", f"{unit}.o")
        placing = ("-nostdlib", "-g", f"-Wl,-T,{script}", "-Wl,--gc-sections", f"-Wl,-e,{entry}")
        objects = [f"{unit}.o" for unit in units]
        _zig(root, "cc", *flags, *placing, "-lcompiler_rt", *objects, "-o", "linked.elf")
        return (root / "linked.elf").read_bytes()


def core_files(source: CSource) -> Mapping[str, str]:
    """The files that a build for a core is made from."""
    return {
        f"{source.prefix}.h": source.header,
        "model.c": source.source,
        "sizes.c": _sizes(source.prefix),
        "core.ld": template("core.ld"),
    }


def link_flags(prefix: str, functions: Sequence[str] = FUNCTIONS) -> tuple[str, ...]:
    """How a model is linked alone: ``functions`` of the interface kept, everything else only when it is
    used.
    """
    roots = (f"-Wl,-u,{prefix}_{name}" for name in (*functions, *ON_REQUEST))
    return ("-nostdlib", "-g", "-Wl,-T,core.ld", "-Wl,--gc-sections", f"-Wl,-e,{prefix}_step", *roots)


def compile_alone(core: Core, text: str, function: str) -> bytes:
    """The machine code of one file's only function, which refers to nothing outside itself. Raises ToolError
    when it does.
    """
    from elftools.elf.elffile import ELFFile

    relax = ("-mno-relax",) if core.isa == "riscv" else ()  # else distances would be left to a linker
    with scratch_folder() as root:
        _write(root, {"alone.c": text})
        _zig(
            root,
            "cc",
            *core.target,
            OPTIMISE["speed"],
            *_CORE_FLAGS,
            "-fno-builtin",
            *relax,
            "-c",
            "alone.c",
            "-o",
            "alone.o",
        )
        file = ELFFile(io.BytesIO((root / "alone.o").read_bytes()))
        section = f".text.{function}"
        machine_code = file.get_section_by_name(section)
        relocated = any(file.get_section_by_name(f"{kind}{section}") for kind in (".rel", ".rela"))
        if machine_code is None or relocated:
            raise ToolError(
                f"{function} for {core.name}", "code that refers to other places", "code that stands alone"
            )
        return bytes(machine_code.data())


def build_host(source: CSource, checked: bool = True) -> HostProgram:
    """Compile ``source`` and its harness for this computer.

    ``checked``: any undefined behaviour stops the program; else a plain optimised build.
    """
    files = _host_files(source)
    with scratch_folder() as root:
        _write(root, files)
        _zig(root, "cc", *_host_flags(checked), *_HOST_UNITS, "-o", "harness")
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
    _zig(
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
        done = subprocess.run([str(path)], input=rows, capture_output=True, timeout=_TIMEOUT_S, check=False)
    if done.returncode:
        reason = _first_lines(done.stderr) or "undefined behaviour"
        raise ToolError("the C on this computer", f"stopped with code {done.returncode} ({reason})")
    printed = np.loadtxt(io.BytesIO(done.stdout), dtype=np.int64, delimiter=",", ndmin=2)
    if printed.shape != (frames, len(OUTPUTS) + host.state_values):
        raise ToolError(
            "the C on this computer",
            f"{printed.shape} numbers printed",
            f"{frames} rows of {len(OUTPUTS) + host.state_values}",
        )
    return printed[:, : len(OUTPUTS)], printed[:, len(OUTPUTS) :]


_TAKE_POUR = "        const int32_t since_pour = (int32_t)next_number(&text);\n"


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
        _write(
            root, {f"{source.prefix}.h": source.header} | {f"{unit}.c": text for unit, text in files.items()}
        )
        outputs = [
            _zig_says(
                root, command, "-x", language, standard, *WARNINGS, "-c", f"{unit}.c", "-o", f"{unit}.o"
            )
            for unit in files
        ]
    return "".join(text for _, text in outputs)


# What a core's compiler is asked of the types: a number of an image, and the C that says it.
_SIZES: Mapping[str, str] = {
    "state_size": "sizeof(@prefix@_state_t)",
    "prepared_size": "sizeof(@prefix@_prepared_t)",
    "scratch_size": "sizeof(@prefix@_scratch_t)",
    "reading_size": "sizeof(@prefix@_reading_t)",
    "selftest_size": "sizeof(@prefix@_selftest_t)",
    "count_size": "sizeof(@prefix@_count_t)",
    "channels": "@PREFIX@_CHANNELS",
    "trim_counts": "@PREFIX@_TRIM_COUNTS",
}
_SIZES_FILE = """\
#include "@prefix@.h"
__attribute__((section(".sizes"), used)) const uint32_t @prefix@_sizes[] = {@values@};
"""


def _sizes(prefix: str) -> str:
    """A file of constants that tells what the core's compiler makes of the types."""
    gaps = {"prefix": prefix, "PREFIX": prefix.upper()}
    return fill(_SIZES_FILE, gaps | {"values": ", ".join(fill(text, gaps) for text in _SIZES.values())})


def read_image(elf: bytes, source: CSource, core: Core, kept: Sequence[str] = FUNCTIONS) -> Image:
    """A linked model as an image. Raises ToolError when it keeps globals or lacks one of ``kept``."""
    from elftools.elf.elffile import ELFFile

    file = ELFFile(io.BytesIO(elf))
    sections: dict[str, Any] = {s.name: s for s in file.iter_sections() if s["sh_size"]}
    if ".globals" in sections:
        raise ToolError(
            "the linked model", f"{sections['.globals']['sh_size']} bytes of global variables", "none"
        )
    symbols, functions = _symbols(sections[".symtab"])
    missing = [name for name in kept if f"{source.prefix}_{name}" not in symbols]
    if missing:
        raise ToolError(
            "the linked model", f"no function {source.prefix}_{missing[0]}", "the functions of the interface"
        )
    start, flash = _flash(sections)
    tables, helpers = (sections[n]["sh_size"] if n in sections else 0 for n in (".model_tables", ".helpers"))
    sizes = np.frombuffer(sections[".sizes"].data(), dtype="<u4").tolist()
    return Image(
        prefix=source.prefix,
        core=core,
        flash_start=start,
        flash=flash,
        symbols=symbols,
        code=len(flash) - tables - helpers,
        tables=tables,
        helpers=helpers,
        layout=source.layout,
        told=source.told,
        functions=functions,
        **dict(zip(_SIZES, sizes, strict=True)),
    )


def _symbols(table: Any) -> tuple[dict[str, int], frozenset[int]]:
    """Addresses of functions and objects by name, bit 0 cleared, and those of the functions alone."""
    kinds = {"STT_FUNC": dict[str, int](), "STT_OBJECT": dict[str, int]()}
    for symbol in table.iter_symbols():
        kind = symbol["st_info"]["type"]
        if kind in kinds:
            kinds[kind][symbol.name] = symbol["st_value"] & ~1
    functions = frozenset(kinds["STT_FUNC"].values())
    return kinds["STT_FUNC"] | kinds["STT_OBJECT"], functions


def _flash(sections: Mapping[str, Any]) -> tuple[int, bytes]:
    """Where the flash begins, and what stands in it."""
    parts = [sections[n] for n in (".model_code", ".model_tables", ".helpers") if n in sections]
    start = min(s["sh_addr"] for s in parts)
    flash = bytearray(max(s["sh_addr"] + s["sh_size"] for s in parts) - start)
    for s in parts:
        flash[s["sh_addr"] - start : s["sh_addr"] - start + s["sh_size"]] = s.data()
    return start, bytes(flash)


def _write(root: Path, files: Mapping[str, str]) -> None:
    for name, text in files.items():
        (root / name).write_text(text, encoding="utf-8", newline="\n")


def _zig(root: Path, *arguments: str) -> None:
    code, messages = _zig_says(root, *arguments)
    if code:
        raise ToolError(
            "the C compiler",
            _first_lines(messages.encode()) or f"stopped with code {code}",
            "a build without errors",
        )


def _zig_says(root: Path, *arguments: str) -> tuple[int, str]:
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
            command, cwd=root, env=_environment(), capture_output=True, timeout=_TIMEOUT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ToolError("the C compiler", str(error), "a build that ends") from error
    return done.returncode, done.stderr.decode(errors="replace")


def _environment() -> dict[str, str]:
    """The compiler keeps its own helpers in a cache in the home folder, and does not start without one; where
    that is not known or cannot be written, they go to a folder of the user's among the temporary ones. What
    stands there is linked into what is measured and run: nobody else may have put it there.
    """
    environment = dict(os.environ)
    if "ZIG_GLOBAL_CACHE_DIR" not in environment:
        home = environment.get("HOME" if os.name == "posix" else "USERPROFILE", "")
        cache = Path(home) / ".cache"
        if not home or not os.access(cache if cache.exists() else home, os.W_OK):
            environment["ZIG_GLOBAL_CACHE_DIR"] = str(private_folder("zig-cache"))
    return environment


def _first_lines(messages: bytes) -> str:
    lines = [line.strip() for line in messages.decode(errors="replace").splitlines() if line.strip()]
    return "; ".join(lines[:_ERROR_LINES])
