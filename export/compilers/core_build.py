"""Compiles exported C for the budget's core, and links it."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version

from dataset.errors import ToolError
from dataset.files.scratch import scratch_folder
from export.c.fragments import CLANG_FLAGS, SHARED_FLAGS
from export.c.source import CSource
from export.c.text import template
from export.compilers import zig
from export.compilers.image import FUNCTIONS, Image, read_image, sizes_file
from export.cores import Core, find_core

ON_REQUEST = ("volume_ml",)  # counted where a model has it
OPTIMISE = {"size": "-Os", "speed": "-O2"}
_UNITS = ("model", "sizes")
# No unwind tables, since their stubs would be linked and counted; frame pointers only cost stack.
_CORE_FLAGS = ("-std=c99", *SHARED_FLAGS, "-fno-sanitize=all", "-fno-exceptions")


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
        zig.write(root, core_files(source))
        for unit in _UNITS:
            zig.run(root, "cc", *flags, "-c", f"{unit}.c", "-o", f"{unit}.o")
        return Compiled(source, chosen, {f"{unit}.o": (root / f"{unit}.o").read_bytes() for unit in _UNITS})


def link_model(compiled: Compiled, functions: Sequence[str] = FUNCTIONS) -> Image:
    """Link ``compiled`` with ``functions`` of the interface (names without the prefix), and what they use."""
    source, core = compiled.source, compiled.core
    with scratch_folder() as root:
        zig.write(root, core_files(source))
        for name, content in compiled.objects.items():
            (root / name).write_bytes(content)
        zig.run(
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
        zig.write(root, files)
        for unit in units:
            zig.run(root, "cc", *flags, "-c", f"{unit}.c", "-o", f"{unit}.o")
        placing = ("-nostdlib", "-g", f"-Wl,-T,{script}", "-Wl,--gc-sections", f"-Wl,-e,{entry}")
        objects = [f"{unit}.o" for unit in units]
        zig.run(root, "cc", *flags, *placing, "-lcompiler_rt", *objects, "-o", "linked.elf")
        return (root / "linked.elf").read_bytes()


def core_files(source: CSource) -> Mapping[str, str]:
    """The files that a build for a core is made from."""
    return {
        f"{source.prefix}.h": source.header,
        "model.c": source.source,
        "sizes.c": sizes_file(source.prefix),
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
        zig.write(root, {"alone.c": text})
        zig.run(
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
