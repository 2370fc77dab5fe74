"""What instructions cost on a core, from its published table, and the price of a basic block.

A model: memory without wait states answers at once; each wait state of the budget is added once for each 32-bit word of flash that a
block fetches and once for each load from flash. It cannot see prefetch buffers, caches, a word fetched twice or across a block's border,
bus contention and interrupts.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from dataset.errors import ToolError
from export.c_text import template
from export.toolchain import Core


@dataclass(frozen=True)
class Price:
    """Cycles of a block or an instruction; ``taken`` is added when its closing conditional branch is taken."""

    cycles: int
    taken: int = 0


@dataclass(frozen=True)
class Row:
    """One class of instructions in the table."""

    cycles: int
    per_register: int = 0
    taken: int = 0


@dataclass
class Timing:
    """Prices the code of one core with the budget's multiplier and wait states."""

    core: Core
    multiplier_cycles: int
    wait_states: int
    _rows: Mapping[str, Row] = field(init=False)
    _disassembler: Any = field(init=False)

    def __post_init__(self) -> None:
        import capstone

        self._rows = _read(self.core, self.multiplier_cycles)
        self._disassembler = capstone.Cs(capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS)

    def block(self, code: bytes, address: int) -> Price:
        """The price of the straight run of instructions ``code`` at ``address``. Raises ToolError for one without a row."""
        cycles = taken = done = 0
        for _, size, mnemonic, operands in self._disassembler.disasm_lite(code, address):
            price = self.instruction(mnemonic, operands, address + done)
            cycles, taken, done = cycles + price.cycles, price.taken, done + size
        if done != len(code):
            raise ToolError(f"code at 0x{address + done:x}", code[done:].hex(), "an instruction of the core")
        words = ((address + len(code) - 1) >> 2) - (address >> 2) + 1
        return Price(cycles + words * self.wait_states, taken)

    def instruction(self, mnemonic: str, operands: str, address: int = 0) -> Price:
        """The price of one instruction, without wait states."""
        mnemonic = mnemonic.removesuffix(".w")
        registers = operands[operands.find("{") + 1 : operands.find("}")].split(", ") if "{" in operands else []
        to_pc = "pc" in registers or (mnemonic in ("mov", "add") and operands.startswith("pc,"))
        row = self._rows.get(f"{mnemonic} pc" if to_pc else mnemonic)
        if row is None:
            raise ToolError(f"code at 0x{address:x}", f"'{mnemonic} {operands}'", f"an instruction with a row in the table of {self.core.name}")
        return Price(row.cycles + row.per_register * len(registers), row.taken - row.cycles if row.taken else 0)


def _read(core: Core, multiplier_cycles: int) -> Mapping[str, Row]:
    rows: dict[str, Row] = {}
    for entry in tomllib.loads(template(core.timing))["rows"]:
        cycles = multiplier_cycles if entry["cycles"] == "multiplier" else entry["cycles"]
        row = Row(cycles, entry.get("per_register", 0), entry.get("taken", 0))
        rows |= dict.fromkeys(entry["mnemonics"], row)
    return rows
