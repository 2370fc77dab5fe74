"""The model's code in a linked firmware: where the linker put it, the CRC over its bytes, and the word
that the firmware holds that against.
"""

from __future__ import annotations

import io
import re
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError

MOST_FIRMWARE = 256 << 20  # bytes of a file, debugging information included
MOST_CODE = 16 << 20  # bytes between start and end; far above what a model takes
_WORD = 4
_T = TypeVar("_T")

# An entry of the symbol table, as the System V ABI has it, and the type that a function has there.
_SYMBOL_32 = [
    ("name", "<u4"),
    ("value", "<u4"),
    ("size", "<u4"),
    ("info", "u1"),
    ("other", "u1"),
    ("section", "<u2"),
]
_SYMBOL_64 = [
    ("name", "<u4"),
    ("info", "u1"),
    ("other", "u1"),
    ("section", "<u2"),
    ("value", "<u8"),
    ("size", "<u8"),
]
_FUNCTION = 2
_LOADED = 2  # the flag of a section that takes memory at run time


@dataclass(frozen=True)
class CodeNames:
    """What the linker script calls things: the symbols at the first byte of the code, behind its last and at
    the expected word. With ``section`` the code is that section, and the first two are not looked for.
    Without ``must_expect`` there may be no expected word.
    """

    start: str
    end: str
    expected: str
    section: str | None = None
    must_expect: bool = False


@dataclass(frozen=True)
class LinkedCode:
    """``length`` bytes of code at the address ``start`` and their CRC-32 (IEEE 802.3, reflected), as
    ``<prefix>_selftest_code`` takes it; ``expected`` is the stored word, which stands at ``expected_offset``
    of the file: both None where there is none.
    """

    start: int
    length: int
    crc: int
    expected: int | None
    expected_offset: int | None

    @property
    def agrees(self) -> bool | None:
        """Whether the stored word is the CRC; None where none is stored."""
        return None if self.expected is None else self.expected == self.crc


def default_names(prefix: str) -> CodeNames:
    """The names in ``<prefix>.ld``."""
    return CodeNames(f"{prefix}_code_start", f"{prefix}_code_end", f"{prefix}_code_crc32")


def read_code(elf: bytes, where: str, names: CodeNames) -> LinkedCode:
    """The code in a linked firmware of a little-endian core, the bytes of an ELF file; ``where`` is its name
    in errors.

    Raises InputError for a file that is none or damaged, a name that is not there, and code that no segment
    loads from the file, that is empty or longer than ``MOST_CODE``.
    """
    file = _Firmware.of(elf, where)
    if names.section is None:
        start, end = file.address(names.start), file.address(names.end)
    else:
        start, end = file.section(names.section)
    if not 0 < end - start <= MOST_CODE:
        raise InputError(
            f"{where}, the code",
            f"{end - start} bytes from 0x{start:x} to 0x{end:x}",
            f"1 to {MOST_CODE} bytes",
            "the linker script has to name the code ahead of the line that takes all .text, and the firmware "
            "has to call it",
        )
    place = file.offset(start, end - start, "the code")
    code = LinkedCode(start, end - start, zlib.crc32(elf[place : place + end - start]), None, None)
    if not names.must_expect and not file.has(names.expected):
        return code
    word = file.address(names.expected)
    if start - _WORD < word < end:
        raise InputError(
            f"{where}, {names.expected}",
            f"stands at 0x{word:x}, in the code itself",
            f"a word outside 0x{start:x} to 0x{end:x}",
            "a CRC cannot go over its own value",
        )
    offset = file.offset(word, _WORD, names.expected)
    expected = int.from_bytes(elf[offset : offset + _WORD], "little")
    return replace(code, expected=expected, expected_offset=offset)


def with_expected(elf: bytes, code: LinkedCode) -> bytes:
    """The firmware that ``code`` was read from with its CRC as the expected word. ValueError where it has no
    such word.
    """
    offset = code.expected_offset
    if offset is None:
        raise ValueError("no expected word in this firmware")
    return elf[:offset] + code.crc.to_bytes(_WORD, "little") + elf[offset + _WORD :]


@dataclass(frozen=True)
class _Firmware:
    """An ELF file: its bytes, and the headers of its sections and of what is loaded. Names are looked for as
    bytes, so a file that is made to be slow to read is not.
    """

    where: str
    elf: bytes
    sections: tuple[Mapping[str, Any], ...]
    names: int  # the section that holds the names of sections
    loaded: tuple[Mapping[str, Any], ...]
    wide: bool  # of 64 bits
    arm: bool

    @classmethod
    def of(cls, elf: bytes, where: str) -> _Firmware:
        if not elf.startswith(b"\x7fELF"):
            raise InputError(where, "is no ELF file", "the firmware as the linker writes it")
        header, structs = _parsed(where, lambda: _opened(elf))
        kind = header["e_type"]
        if kind not in ("ET_EXEC", "ET_DYN"):
            raise InputError(where, f"is an ELF file of type {kind}", "a linked firmware")
        if not structs.little_endian:
            raise InputError(where, "is for a big-endian core", "a firmware of a little-endian core")
        sections = _parsed(where, lambda: _headers(elf, structs.Elf_Shdr, header, "sh"))
        segments = _parsed(where, lambda: _headers(elf, structs.Elf_Phdr, header, "ph"))
        return cls(
            where,
            elf,
            sections,
            header["e_shstrndx"],
            tuple(s for s in segments if s["p_type"] == "PT_LOAD"),
            structs.elfclass == 64,
            header["e_machine"] == "EM_ARM",
        )

    def address(self, name: str) -> int:
        """Of the symbol; of several that are defined the global one. On Arm bit 0 of a function's address
        says Thumb and is no part of it.
        """
        symbols = self._symbols(name)
        if not len(symbols):
            raise InputError(
                f"{self.where}, symbol {name}",
                "is not there",
                "a symbol of the linker script",
                "take the file as it is before its symbols are stripped, linked with the linker fragment",
            )
        symbol = max(symbols, key=lambda s: int(s["info"]) >> 4 != 0)  # binding 0 is local
        thumb = self.arm and int(symbol["info"]) & 0xF == _FUNCTION
        return int(symbol["value"]) & ~1 if thumb else int(symbol["value"])

    def has(self, name: str) -> bool:
        return len(self._symbols(name)) > 0

    def _symbols(self, name: str) -> NDArray[np.void]:
        """The entries of the symbol table that define ``name``."""
        entry = np.dtype(_SYMBOL_64 if self.wide else _SYMBOL_32)
        table = next((s for s in self.sections if s["sh_type"] == "SHT_SYMTAB"), None)
        if table is None:
            return np.empty(0, entry)
        content = self._content(table)
        entries = np.frombuffer(content, entry, len(content) // entry.itemsize)
        named = np.isin(entries["name"], self._places(name, table["sh_link"]))
        defined: NDArray[np.void] = entries[named & (entries["section"] != 0)]
        return defined

    def section(self, name: str) -> tuple[int, int]:
        """Where it begins and ends."""
        places = set(self._places(name, self.names))
        for section in self.sections:
            if section["sh_name"] in places and section["sh_flags"] & _LOADED:
                return section["sh_addr"], section["sh_addr"] + section["sh_size"]
        raise InputError(
            f"{self.where}, section {name}", "is not there, or not loaded", "a section of the firmware"
        )

    def _places(self, name: str, table: int) -> list[int]:
        """Where ``name`` stands among the strings of a section, the end of a longer one included."""
        if not table < len(self.sections):
            raise _damaged(self.where, f"no section {table}")
        text, sought = self._content(self.sections[table]), name.encode() + b"\0"
        return [match.start() for match in re.finditer(re.escape(sought), text)]

    def _content(self, section: Mapping[str, Any]) -> bytes:
        start, end = section["sh_offset"], section["sh_offset"] + section["sh_size"]
        if end > len(self.elf):
            raise _damaged(self.where, f"a section that ends at byte {end} of {len(self.elf)}")
        return self.elf[start:end]

    def offset(self, address: int, length: int, what: str) -> int:
        """Where the bytes stand in the file that are loaded to an address."""
        for segment in self.loaded:
            start, place = segment["p_vaddr"], segment["p_offset"] + address - segment["p_vaddr"]
            inside = start <= address and address + length <= start + segment["p_filesz"]
            if inside and place + length <= len(self.elf):
                return int(place)
        raise InputError(
            f"{self.where}, {what}",
            f"{length} bytes at 0x{address:x}, which no segment loads from the file",
            "bytes that are in the image",
            "the linker script has to put it into flash",
        )


def _parsed(where: str, parse: Callable[[], _T]) -> _T:
    """What ``parse`` gives. The library takes a file at its word, so that a damaged one may make it stumble
    over an end, or a place that no file has.
    """
    from elftools.common.exceptions import ELFError

    try:
        return parse()
    except (ELFError, OverflowError) as error:
        raise _damaged(where, str(error) or type(error).__name__) from error


def _opened(elf: bytes) -> tuple[Mapping[str, Any], Any]:
    """The header, and the forms of the others."""
    from elftools.elf.elffile import ELFFile

    file = ELFFile(io.BytesIO(elf))
    return file.header, file.structs


def _headers(elf: bytes, form: Any, header: Mapping[str, Any], kind: str) -> tuple[Mapping[str, Any], ...]:
    """The headers of sections ('sh') or segments ('ph')."""
    from elftools.common.utils import struct_parse

    start, size = header[f"e_{kind}off"], header[f"e_{kind}entsize"]
    stream = io.BytesIO(elf)
    return tuple(struct_parse(form, stream, start + k * size) for k in range(header[f"e_{kind}num"]))


def _damaged(where: str, how: str) -> InputError:
    return InputError(
        where, f"is a damaged ELF file ({how})", "the firmware as the linker writes it", "link it anew"
    )
