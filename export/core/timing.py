"""What instructions cost on a core, from its table, and the price of a basic block.

A model: memory without wait states answers at once; each wait state of the budget is added once for each
32-bit word of flash that a block fetches and once for each load from flash. It cannot see prefetch buffers,
caches, a word fetched twice or across a block's border, bus contention and interrupts; each core's table says
what else.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from dataset.errors import ToolError
from export.c.text import template
from export.core.machine_code import Disassembler, plain, registers_of
from export.cores import Core


@dataclass(frozen=True)
class Price:
    """Cycles of a block or an instruction; ``taken`` is added when its closing conditional
    branch is taken.
    """

    cycles: int
    taken: int = 0


@dataclass(frozen=True)
class TimingRow:
    """One class of instructions in the table."""

    cycles: int
    per_register: int = 0
    taken: int = 0


@dataclass(frozen=True)
class Sources:
    """What stands behind a core's table: its source, and what it cannot see."""

    source: str
    unseen: str


def sources(core: Core) -> Sources:
    """The sentence of the core's table on its source, and the one on what it leaves out."""
    table = _table(core)
    return Sources(table["source"], table["unseen"])


@dataclass
class Timing:
    """Prices the code of one core with the budget's multiplier and wait states."""

    core: Core
    multiplier_cycles: int
    wait_states: int
    _rows: Mapping[str, TimingRow] = field(init=False)
    _disassembler: Disassembler = field(init=False)

    def __post_init__(self) -> None:
        self._rows = _read(self.core, self.multiplier_cycles)
        self._disassembler = Disassembler(self.core)

    def block(self, code: bytes, address: int) -> Price:
        """The price of the straight run of instructions ``code`` at ``address``. Raises ToolError for one
        without a row.
        """
        cycles = taken = done = 0
        for instruction in self._disassembler.decode(code, address):
            price = self.instruction(instruction.mnemonic, instruction.operands, address + done)
            cycles, taken, done = cycles + price.cycles, price.taken, done + instruction.size
        if done != len(code):
            raise ToolError(f"code at 0x{address + done:x}", code[done:].hex(), "an instruction of the core")
        words = ((address + len(code) - 1) >> 2) - (address >> 2) + 1
        return Price(cycles + words * self.wait_states, taken)

    def instruction(self, mnemonic: str, operands: str, address: int = 0) -> Price:
        """The price of one instruction, without wait states."""
        registers = registers_of(operands)
        names = list(plain(mnemonic, self.core.isa))
        to_pc = "pc" in registers or (names[-1] in ("mov", "add", "ldr") and operands.startswith("pc,"))
        row = next(
            (
                self._rows[key]
                for key in (f"{name} pc" if to_pc else name for name in names)
                if key in self._rows
            ),
            None,
        )
        if row is None:
            raise ToolError(
                f"code at 0x{address:x}",
                f"'{mnemonic} {operands}'",
                f"an instruction with a row in the table of {self.core.name}",
            )
        return Price(
            row.cycles + row.per_register * len(registers), row.taken - row.cycles if row.taken else 0
        )


@functools.cache
def _table(core: Core) -> dict[str, Any]:
    return tomllib.loads(template(core.timing))


def _read(core: Core, multiplier_cycles: int) -> Mapping[str, TimingRow]:
    rows: dict[str, TimingRow] = {}
    for entry in _table(core)["rows"]:
        cycles = multiplier_cycles if entry["cycles"] == "multiplier" else entry["cycles"]
        row = TimingRow(cycles, entry.get("per_register", 0), entry.get("taken", 0))
        rows |= dict.fromkeys(entry["mnemonics"], row)
    return rows
