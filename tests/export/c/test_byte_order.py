"""A big-endian core is refused, where a macro tells and where none does."""

from __future__ import annotations

import importlib
import io
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from dataset.errors import ToolError
from export.c.source import CSource
from export.compilers import zig

TELLING = ("__BYTE_ORDER__", "__BIG_ENDIAN__", "__MIPSEB__", "__MIPSEB", "_MIPSEB", "MIPSEB")
CODE, RAM, STOP = 0x0001_0000, 0x0010_0000, 0x0020_0000


def linked(folder: Path, source: CSource, target: str, untold: Sequence[str]) -> Any:
    """The C linked for a core that knows both orders, as an ELF file."""
    from elftools.elf.elffile import ELFFile

    (folder / "innage.h").write_text(source.header)
    (folder / "model.c").write_text(source.source)
    told = [f"-U{name}" for name in untold]
    (folder / "place.ld").write_text(f"SECTIONS {{ . = {CODE:#x}; .all : {{ *(.text* .rodata*) }} }}")
    place = ("-nostdlib", "-Wl,-T,place.ld", "-Wl,-e,innage_prepare", "-Wl,--gc-sections")
    flags = ("-Os", "-ffunction-sections", "-fno-sanitize=all", "-mno-abicalls", "-fno-pic", "-G0")
    zig.run(folder, "cc", "-target", target, *flags, *told, *place, "model.c", "-o", "model.elf")
    return ELFFile(io.BytesIO((folder / "model.elf").read_bytes()))


def prepared(file: Any, trim: Sequence[int], order: str) -> tuple[bool, int]:
    """What prepare answers, and the check word that it leaves."""
    unicorn = importlib.import_module("unicorn")
    mips = importlib.import_module("unicorn.mips_const")
    endian = unicorn.UC_MODE_BIG_ENDIAN if order == ">" else unicorn.UC_MODE_LITTLE_ENDIAN
    uc = unicorn.Uc(unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS32 | endian)
    uc.mem_map(0, 0x10_0000)
    uc.mem_map(RAM, 0x10_0000)
    uc.mem_map(STOP, 0x1000)
    for segment in file.iter_segments():
        if segment["p_type"] == "PT_LOAD":
            uc.mem_write(segment["p_vaddr"], segment.data())
    uc.mem_write(RAM + 0x1000, struct.pack(f"{order}{len(trim)}H", *trim))
    for name, value in {"A0": RAM, "A1": RAM + 0x1000, "SP": RAM + 0x8000, "RA": STOP}.items():
        uc.reg_write(getattr(mips, f"UC_MIPS_REG_{name}"), value)
    uc.emu_start(file["e_entry"], STOP)
    check = struct.unpack(f"{order}I", uc.mem_read(RAM, 4))[0]
    return bool(uc.reg_read(mips.UC_MIPS_REG_V0) & 0xFF), check


def test_a_macro_that_tells_stops_the_build(all_built: dict[str, Any], tmp_path: Path) -> None:
    """By the compiler's own macro, and by one of older compilers where that is missing."""
    for untold in ((), TELLING[:1]):
        with pytest.raises(ToolError, match="made for little-endian cores"):
            linked(tmp_path, all_built["strip"].c, "mips-freestanding-eabi", untold)


@pytest.mark.longer
@pytest.mark.parametrize("sample", ["strip", "constant"])
def test_where_no_macro_tells_prepare_refuses(all_built: dict[str, Any], sample: str, tmp_path: Path) -> None:
    """The same C on the same core in both orders, no macro telling: little-endian prepares, big-endian
    answers no and leaves no check word, so that step would withhold.
    """
    its = all_built[sample]
    trim = its.vectors.trim[0].tolist()
    answers = {}
    for order, target in (("<", "mipsel-freestanding-eabi"), (">", "mips-freestanding-eabi")):
        file = linked(tmp_path, its.c, target, (*TELLING, "__MIPSEL__"))
        answers[order] = prepared(file, trim, order)
    assert answers["<"][0]
    assert answers["<"][1] != 0
    assert answers[">"] == (False, 0)
