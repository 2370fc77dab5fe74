"""A model as it is linked for a core: its bytes, addresses and sizes, read from the file that the linker
wrote.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from dataset.errors import ToolError
from export.c.memory import MemoryLayout
from export.c.source import CSource
from export.c.text import fill
from export.cores import Core

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


def sizes_file(prefix: str) -> str:
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
