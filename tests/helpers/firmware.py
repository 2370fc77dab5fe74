"""A linked firmware as small as it can be: an ELF file of 32 bits for Arm, written by hand."""

from __future__ import annotations

import struct

FLASH = 0x0800_0000
_HEADER, _ENTRY, _SEGMENT, _SECTION = 52, 16, 32, 40


def firmware(code: bytes, expected: int | None, prefix: str = "innage") -> bytes:
    """``code`` at the start of flash and, unless None, the word ``expected`` behind it, with the symbols of
    the bundle's linker fragment.
    """
    image = code + b"\0" * (-len(code) % 4)
    symbols = {f"{prefix}_code_start": FLASH, f"{prefix}_code_end": FLASH + len(code)}
    if expected is not None:
        symbols[f"{prefix}_code_crc32"] = FLASH + len(image)
        image += expected.to_bytes(4, "little")
    names, table = b"\0", b"\0" * _ENTRY
    for name, value in symbols.items():
        table += struct.pack("<IIIBBH", len(names), value, 0, 1 << 4, 0, 1)
        names += name.encode() + b"\0"
    first = _HEADER + _SEGMENT
    titles = b"\0.text\0.symtab\0.strtab\0.shstrtab\0"
    parts = (image, table, names, titles)
    places = [first + sum(map(len, parts[:k])) for k in range(len(parts) + 1)]
    sections = b"".join(
        struct.pack("<10I", *section)
        for section in (
            (0,) * 10,
            (titles.index(b".text\0"), 1, 6, FLASH, places[0], len(image), 0, 0, 4, 0),
            (titles.index(b".symtab\0"), 2, 0, 0, places[1], len(table), 3, 1, 4, _ENTRY),
            (titles.index(b".strtab\0"), 3, 0, 0, places[2], len(names), 0, 0, 1, 0),
            (titles.index(b".shstrtab\0"), 3, 0, 0, places[3], len(titles), 0, 0, 1, 0),
        )
    )
    ident = b"\x7fELF" + bytes((1, 1, 1)) + bytes(9)
    header = ident + struct.pack(
        "<HHIIIIIHHHHHH", 2, 40, 1, FLASH, _HEADER, places[4], 0, _HEADER, _SEGMENT, 1, _SECTION, 5, 4
    )
    segment = struct.pack("<8I", 1, first, FLASH, FLASH, len(image), len(image), 5, 4)
    return header + segment + b"".join(parts) + sections
