"""The CRC of the model's code in a linked firmware, and the firmware with that value filled in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError
from dataset.words import counted
from innage.outputs import check_place, write_file

if TYPE_CHECKING:
    from export.compilers.linked_code import LinkedCode


def code_crc(
    file: Path,
    *,
    prefix: str = "innage",
    section: str | None = None,
    start_symbol: str | None = None,
    end_symbol: str | None = None,
    expected_symbol: str | None = None,
    out: Path | None = None,
) -> LinkedCode:
    """The code of a model in the ELF file of a linked firmware, and its CRC.

    Args:
        file: the ELF file.
        prefix: that of the model's C; its linker fragment names the symbols after it.
        section: the code is this section, in place of two symbols.
        start_symbol: at the first byte of the code; None: as the fragment has it.
        end_symbol: behind its last byte; None: as the fragment has it.
        expected_symbol: at the word that the firmware holds the CRC against; None: as the fragment has it,
            where it is there.
        out: write the firmware there with the CRC as that word; what is given back is of that file.

    Raises:
        InputError: no such file, no linked firmware, or names that it does not have.
    """
    from export.c.prefix import check_prefix
    from export.compilers.linked_code import default_names, read_code, with_expected

    if section is not None and (start_symbol is not None or end_symbol is not None):
        raise InputError(
            "section", "beside symbols", "one of them", fields=("section", "start_symbol", "end_symbol")
        )
    if out is not None:
        check_place(out)
    usual = default_names(check_prefix(prefix))
    names = replace(
        usual,
        start=start_symbol or usual.start,
        end=end_symbol or usual.end,
        expected=expected_symbol or usual.expected,
        section=section,
        must_expect=expected_symbol is not None or out is not None,
    )
    elf = _content(file)
    code = read_code(elf, str(file), names)
    if out is None:
        return code
    write_file(out, with_expected(elf, code))
    return replace(code, expected=code.crc)


def code_facts(code: LinkedCode) -> dict[str, Any]:
    """The code, ready for JSON; addresses and CRCs as a linker takes them."""
    return {
        "start": f"0x{code.start:08x}",
        "length": code.length,
        "crc": f"0x{code.crc:08x}",
        "expected": None if code.expected is None else f"0x{code.expected:08x}",
        "agrees": code.agrees,
    }


def _content(file: Path) -> bytes:
    from export.compilers.linked_code import MOST_FIRMWARE

    if not file.is_file() or file.stat().st_size > MOST_FIRMWARE:
        raise InputError(
            str(file),
            counted(file.stat().st_size, "byte") if file.is_file() else "no file",
            f"the firmware as the linker writes it, at most {MOST_FIRMWARE >> 20} MiB",
        )
    return file.read_bytes()
