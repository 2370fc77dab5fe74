"""The CRC of linked code, end to end: firmware linked by lld and by GNU ld with the bundle's linker fragment,
run on an emulated core or on this computer, with single bits of it turned over.
"""

from __future__ import annotations

import io
import random
import shutil
import subprocess
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from elftools.elf.elffile import ELFFile
from firmware import FLASH
from firmware import firmware as small_firmware

from dataset.errors import InputError
from export.c.fragments import fragments
from export.compilers import zig
from export.compilers.image import FUNCTIONS
from export.compilers.linked_code import default_names, read_code, with_expected
from export.core.emulator import _unicorn, engine
from export.core.emulator import register as core_register
from export.cores import CORES

NAMES = default_names("innage")
BAD, OK = 0, 1
STACK, STOP, LIMIT = 0x2001_0000, 0x3000_0000, 3_000_000  # LIMIT: instructions, far above what a test takes
FLAGS = (
    "-std=c99",
    "-Os",
    "-ffunction-sections",
    "-fdata-sections",
    "-fno-sanitize=all",
    "-fno-unwind-tables",
)
ROOTS = tuple(f"innage_{name}" for name in FUNCTIONS)

# The linker script of a small firmware: the model's code by the bundle's fragment, then all the rest.
SCRIPT = """
MEMORY
{
    FLASH (rx) : ORIGIN = 0x08000000, LENGTH = 256K
    RAM (rw) : ORIGIN = 0x20000000, LENGTH = 64K
}
SECTIONS
{
    INCLUDE innage.ld
    .text : { *(.text .text.*) } > FLASH
    .rodata : { *(.rodata .rodata.*) } > FLASH
    .data : { *(.data .data.* .bss .bss.* COMMON) } > RAM
    /DISCARD/ : { *(.ARM.exidx* .ARM.extab* .ARM.attributes .comment .note* .eh_frame) }
}
"""
MAIN = """
#include "innage.h"
extern const uint8_t innage_code_start[];
extern const uint32_t innage_code_length;
extern const uint32_t innage_code_crc32;
static innage_selftest_t test;
uint32_t in_one_call(void);
uint32_t in_slices(uint32_t bytes);
int main(void);
uint32_t in_one_call(void)
{
    return innage_selftest_code(innage_code_start, innage_code_length, innage_code_crc32) ? 1U : 0U;
}
static uint8_t one_slice(uint32_t bytes)
{
    return innage_selftest_code_slice(&test, innage_code_start, innage_code_length, innage_code_crc32, bytes);
}
uint32_t in_slices(uint32_t bytes)
{
    uint8_t answer = INNAGE_SELFTEST_RUNNING;
    uint32_t calls = 0U;
    innage_selftest_init(&test, NULL);
    while (answer == INNAGE_SELFTEST_RUNNING) {
        answer = one_slice(bytes);
        ++calls;
    }
    return (answer == one_slice(bytes)) ? ((calls << 8U) | answer) : 0xFFFFFFFFU;
}
int main(void)
{
    return (int)((in_one_call() << 1U) | (in_slices(64U) & 0xFFU));
}
"""


@pytest.fixture(scope="module")
def folder(all_built: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The model of a strip with its fragment, and a firmware around it."""
    root = tmp_path_factory.mktemp("firmware")
    c = all_built["strip"].c
    for name, text in {
        "innage.h": c.header,
        "innage.c": c.source,
        "innage.ld": fragments("innage")["innage.ld"],
        "main.c": MAIN,
        "firmware.ld": SCRIPT,
    }.items():
        (root / name).write_text(text)
    return root


def linked(folder: Path, core: str = "cortex-m0plus", roots: Sequence[str] = ROOTS) -> bytes:
    """The firmware for a core by zig's compiler and linker (lld), all of the model in it."""
    target = CORES[core].target
    for unit in ("innage", "main"):
        zig.run(folder, "cc", *target, *FLAGS, "-c", f"{unit}.c", "-o", f"{core}-{unit}.o")
    kept = [f"-Wl,-u,{name}" for name in (*roots, "in_one_call", "in_slices")]
    options = (
        "-nostdlib",
        "-g",
        "-Wl,-T,firmware.ld",
        "-Wl,--gc-sections",
        "-Wl,-e,in_one_call",
        "-lcompiler_rt",
    )
    zig.run(
        folder,
        "cc",
        *target,
        *FLAGS,
        *options,
        *kept,
        f"{core}-main.o",
        f"{core}-innage.o",
        "-o",
        f"{core}.elf",
    )
    return (folder / f"{core}.elf").read_bytes()


@pytest.fixture(scope="module")
def firmware(folder: Path) -> bytes:
    return linked(folder)


def symbols(elf: bytes) -> dict[str, tuple[int, int]]:
    """Address, bit 0 cleared, and size of every symbol, as pyelftools has them."""
    table: Any = ELFFile(io.BytesIO(elf)).get_section_by_name(".symtab")
    return {s.name: (s["st_value"] & ~1, s["st_size"]) for s in table.iter_symbols()}


def asked(
    elf: bytes, function: str, argument: int = 0, core: str = "cortex-m0plus", flip: tuple[int, int] = (0, 0)
) -> int | None:
    """What ``function`` of the firmware answers on the emulated core, with one bit (address, bit) turned
    over; None when it stops in an exception or goes on for ever.
    """
    import unicorn

    chosen = CORES[core]
    thumb = int(chosen.isa == "thumb")
    uc = engine(chosen)
    uc.hook_add(unicorn.UC_HOOK_INTR, lambda uc, number, data: uc.emu_stop())
    uc.mem_map(0x0800_0000, 0x4_0000, unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
    uc.mem_map(0x2000_0000, 0x1_0000, unicorn.UC_PROT_READ | unicorn.UC_PROT_WRITE)
    uc.mem_map(STOP, 0x1000)
    for segment in ELFFile(io.BytesIO(elf)).iter_segments():
        if segment["p_type"] == "PT_LOAD" and segment["p_filesz"]:
            uc.mem_write(segment["p_vaddr"], segment.data())
    if flip[0]:
        uc.mem_write(flip[0], bytes([uc.mem_read(flip[0], 1)[0] ^ 1 << flip[1]]))
    first, link = ("R0", "LR") if thumb else ("A0", "RA")
    for register, value in ((first, argument), (link, STOP | thumb), ("SP", STACK)):
        uc.reg_write(core_register(chosen, register), value)
    try:
        uc.emu_start(symbols(elf)[function][0] | thumb, STOP, count=LIMIT)
    except _unicorn().UcError:
        return None
    stopped = uc.reg_read(core_register(chosen, "PC")) == STOP
    return int(uc.reg_read(core_register(chosen, first))) if stopped else None


def test_firmware_with_the_value_says_ok(firmware: bytes) -> None:
    """As linked the word is 0 and the answer no; with the CRC filled in it is yes, in one call and in slices
    of any size, one for each piece of the code. The CRC is zlib's of the section's bytes.
    """
    code = read_code(firmware, "fw.elf", NAMES)
    section: Any = ELFFile(io.BytesIO(firmware)).get_section_by_name(".innage_code")
    assert (code.start, code.length, code.crc) == (
        section["sh_addr"],
        section["sh_size"],
        zlib.crc32(section.data()),
    )
    assert (code.expected, code.agrees) == (0, False)
    assert asked(firmware, "in_one_call") == BAD
    whole = with_expected(firmware, code)
    assert sum(a != b for a, b in zip(firmware, whole, strict=True)) <= 4
    assert read_code(whole, "fw.elf", NAMES).agrees
    assert asked(whole, "in_one_call") == OK
    for size in (1, 64, 2**32 - 1):
        assert asked(whole, "in_slices", size) == -(-code.length // size) << 8 | OK
    assert asked(whole, "in_slices", 0) == code.length << 8 | OK


@pytest.mark.longer
@pytest.mark.parametrize("core", [name for name in CORES if name != "cortex-m0plus"])
def test_other_cores(folder: Path, core: str) -> None:
    elf = linked(folder, core)
    whole = with_expected(elf, read_code(elf, "fw.elf", NAMES))
    assert [asked(e, "in_one_call", core=core) for e in (elf, whole)] == [BAD, OK]


@pytest.mark.longer
def test_every_drawn_bit_is_noticed(firmware: bytes) -> None:
    """64 bits of the code outside the functions of this test, drawn with a seed: each ends with no."""
    code = read_code(firmware, "fw.elf", NAMES)
    whole, own = with_expected(firmware, code), list(own_bits(firmware))
    others = [
        (at, bit)
        for at in range(code.start, code.start + code.length)
        for bit in range(8)
        if (at, bit) not in own
    ]
    assert len(others) > 10_000
    for flip in random.Random(20).sample(others, 64):  # noqa: S311 - which bits are turned is no secret
        assert asked(whole, "in_one_call", flip=flip) == BAD, flip


@pytest.mark.longer
def test_most_bits_of_the_test_itself_are_noticed(firmware: bytes) -> None:
    """A quarter of the bits of the functions that make the CRC and compare it: the answer is no, or the core
    stops or hangs, which a watchdog sees. A code that tests itself cannot see all of its own damage: for a
    few it is yes.
    """
    whole = with_expected(firmware, read_code(firmware, "fw.elf", NAMES))
    answers = [asked(whole, "in_one_call", flip=flip) for flip in list(own_bits(firmware))[::4]]
    passed = sum(answer not in (BAD, None) for answer in answers)
    assert len(answers) > 150
    assert passed < 0.1 * len(answers)


@pytest.mark.skipif(not (shutil.which("gcc") and shutil.which("ld")), reason="no gcc with GNU ld on the path")
def test_gnu_ld_takes_the_fragment(folder: Path, tmp_path: Path) -> None:
    """The same firmware linked by GNU ld for this computer, not run: the code is found, and a second link
    with the value holds it.
    """
    for unit in ("innage", "main"):
        command: list[str | Path] = [
            "gcc",
            "-std=c99",
            "-Os",
            "-ffunction-sections",
            "-ffreestanding",
            "-fno-pic",
            "-fno-stack-protector",
        ]
        subprocess.run(
            [*command, "-c", str(folder / f"{unit}.c"), "-o", str(tmp_path / f"{unit}.o")], check=True
        )
    objects = [str(tmp_path / "main.o"), str(tmp_path / "innage.o")]

    def link(*options: str) -> bytes:
        kept = [f"--undefined={name}" for name in (*ROOTS, "in_one_call", "in_slices")]
        command = [
            "ld",
            *options,
            "-T",
            str(folder / "firmware.ld"),
            "--gc-sections",
            "-e",
            "in_one_call",
            *kept,
        ]
        command += [
            "--unresolved-symbols=ignore-all",
            "-L",
            str(folder),
            *objects,
            "-o",
            str(tmp_path / "firmware.elf"),
        ]
        subprocess.run(command, check=True, capture_output=True, cwd=folder)
        return (tmp_path / "firmware.elf").read_bytes()

    once = read_code(link(), "fw.elf", NAMES)
    assert (once.expected, once.agrees) == (0, False)
    twice = link(f"--defsym=innage_code_crc={once.crc:#x}")
    section: Any = ELFFile(io.BytesIO(twice)).get_section_by_name(".innage_code")
    assert read_code(twice, "fw.elf", NAMES) == replace(
        once, crc=zlib.crc32(section.data()), expected=once.crc
    )
    assert read_code(twice, "fw.elf", NAMES).agrees


def test_the_crc_is_the_usual_one() -> None:
    """The check value of CRC-32/ISO-HDLC in the Catalogue of parametrised CRC algorithms (G. Cook)."""
    code = read_code(small_firmware(b"123456789", None), "fw.elf", NAMES)
    assert (code.start, code.length, code.crc, code.agrees) == (FLASH, 9, 0xCBF43926, None)


@pytest.mark.longer
def test_a_damaged_file_gets_a_sentence() -> None:
    """Cut anywhere, or with bytes replaced: an answer or one sentence, never another error."""
    whole = small_firmware(bytes(range(64)), 7)
    drawn, refused = random.Random(7), 0  # noqa: S311 - which bytes are damaged is no secret
    for _ in range(600):
        content = bytearray(whole[: drawn.randrange(len(whole) + 1)] if drawn.random() < 0.3 else whole)
        for _ in range(drawn.randrange(1, 4) if content else 0):
            content[drawn.randrange(len(content))] = drawn.choice((0, 1, 0x7F, 0x80, 0xFF))
        try:
            read_code(bytes(content), "fw.elf", NAMES)
        except InputError:
            refused += 1
    assert 100 < refused < 600


@pytest.mark.parametrize(
    ("elf", "word"),
    [
        (b"#!/bin/sh", "no ELF file"),
        (small_firmware(b"", 0), "0 bytes"),
        (small_firmware(bytes(8), 0, "other"), "symbol innage_code_start"),
    ],
)
def test_what_is_no_firmware_is_refused(elf: bytes, word: str) -> None:
    with pytest.raises(InputError) as refused:
        read_code(elf, "fw.elf", NAMES)
    assert word in str(refused.value)


def own_bits(elf: bytes) -> Iterator[tuple[int, int]]:
    """Each bit (address, bit) of the functions that the test in one call runs."""
    for name in ("innage_crc", "innage_selftest_code"):
        start, size = symbols(elf)[name]
        yield from ((at, bit) for at in range(start, start + size) for bit in range(8))
