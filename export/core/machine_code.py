"""Machine code as instructions: what each does to the flow, to the stack pointer and to memory."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Any

from export.cores import Core

CONDITIONS = ("eq", "ne", "hs", "lo", "mi", "pl", "vs", "vc", "hi", "ls", "ge", "lt", "gt", "le")
_IT = re.compile(r"it[te]{0,3}")
_BRANCHES = frozenset("b" + condition for condition in CONDITIONS) | {"cbz", "cbnz"}
_RISCV_BRANCHES = ("beq", "bne", "blt", "bge", "bltu", "bgeu", "beqz", "bnez", "blez", "bgez", "bltz", "bgtz")


class ControlFlow(Enum):
    """Where control goes behind an instruction."""

    NEXT = "next"
    BRANCH = "branch"  # to the target or to the next
    JUMP = "jump"
    CALL = "call"
    CALL_OR_NEXT = "call or next"  # made conditional by IT
    RETURN = "return"
    RETURN_OR_NEXT = "return or next"
    UNKNOWN = "unknown"  # by a register: not followed


_THUMB_JUMPS = {"b": ControlFlow.JUMP, "bl": ControlFlow.CALL, "blx": ControlFlow.CALL}


@dataclass(frozen=True)
class Instruction:
    """One instruction as disassembled. ``target`` of a branch, jump or call, None when a
    register holds it.
    """

    address: int
    size: int
    mnemonic: str
    operands: str
    flow: ControlFlow
    target: int | None = None

    @property
    def end(self) -> int:
        return self.address + self.size

    @property
    def text(self) -> str:
        return f"{self.mnemonic} {self.operands}"


class Disassembler:
    """Decodes straight runs of one core's code."""

    def __init__(self, core: Core) -> None:
        import capstone

        self.core = core
        if core.isa == "thumb":
            self._engine: Any = capstone.Cs(
                capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS
            )
        else:
            self._engine = capstone.Cs(
                capstone.CS_ARCH_RISCV, capstone.CS_MODE_RISCV32 | capstone.CS_MODE_RISCVC
            )

    def decode(self, code: bytes, address: int) -> Iterator[Instruction]:
        """The instructions of ``code`` from ``address`` on, until one cannot be decoded."""
        last: Instruction | None = None
        for at, size, mnemonic, operands in self._engine.disasm_lite(code, address):
            kind = (
                _thumb(mnemonic, operands)
                if self.core.isa == "thumb"
                else _riscv(mnemonic, operands, at, last)
            )
            last = Instruction(at, size, mnemonic, operands, *kind)
            yield last

    def stack_change(self, instruction: Instruction) -> int | None:
        """By how many bytes the stack grows (negative: shrinks); None for a write to the stack pointer that
        cannot be followed.
        """
        return _thumb_stack(instruction) if self.core.isa == "thumb" else _riscv_stack(instruction)

    def loads(self, instruction: Instruction) -> int:
        """How many words it may load from anywhere but the stack."""
        name = instruction.mnemonic.removeprefix("c.")
        if self.core.isa == "riscv":
            return int(name in ("lw", "lh", "lhu", "lb", "lbu") and "(sp)" not in instruction.operands)
        if not name.startswith("ld") or "[sp" in instruction.operands:
            return 0
        return (
            instruction.operands.count(",") if name.startswith("ldm") else 2 if name.startswith("ldrd") else 1
        )


def plain(mnemonic: str, isa: str) -> Iterator[str]:
    """Names by which a table may know ``mnemonic``, the nearest first: as it is, without its condition,
    without the mark for flags.
    """
    if isa == "riscv":
        yield mnemonic.removeprefix("c.")
        return
    name = mnemonic.removesuffix(".w").removesuffix(".n")
    yield name
    if _IT.fullmatch(name):
        yield "it"
    for shorter in (name, name[:-2]) if name.endswith(CONDITIONS) else (name,):
        yield shorter
        yield shorter.removesuffix("s")


def registers_of(operands: str) -> list[str]:
    """The registers of a list in braces."""
    return operands[operands.find("{") + 1 : operands.find("}")].split(", ") if "{" in operands else []


def _thumb(mnemonic: str, operands: str) -> tuple[ControlFlow, int | None]:
    name = mnemonic.removesuffix(".w").removesuffix(".n")
    flow = ControlFlow.BRANCH if name in _BRANCHES else _THUMB_JUMPS.get(name)
    if flow is None and name.endswith(CONDITIONS) and _THUMB_JUMPS.get(name[:-2]) is ControlFlow.CALL:
        flow = ControlFlow.CALL_OR_NEXT
    if flow is not None:
        return flow, _immediate(operands.rsplit(", ", maxsplit=1)[-1])
    listed = name.startswith(("pop", "ldm")) and "pc" in registers_of(operands)
    returns = (
        listed
        or (name.startswith("bx") and operands == "lr")
        or (name.startswith("ldr") and operands.startswith("pc, [sp], "))
    )
    if returns:
        return (ControlFlow.RETURN_OR_NEXT if name.endswith(CONDITIONS) else ControlFlow.RETURN), None
    to_pc = operands.startswith("pc, ") and not name.startswith(("str", "cmp"))
    return (
        ControlFlow.UNKNOWN if to_pc or name.startswith("bx") or name in ("tbb", "tbh") else ControlFlow.NEXT
    ), None


def _riscv(
    mnemonic: str, operands: str, address: int, last: Instruction | None
) -> tuple[ControlFlow, int | None]:
    name, parts = mnemonic.removeprefix("c."), operands.split(", ")
    if name in _RISCV_BRANCHES:
        return ControlFlow.BRANCH, _relative(parts[-1], address)
    if name in ("j", "jal"):
        return (ControlFlow.JUMP if name == "j" or parts[0] == "zero" else ControlFlow.CALL), _relative(
            parts[-1], address
        )
    if name in ("ret", "jr"):
        return (ControlFlow.RETURN if name == "ret" or operands == "ra" else ControlFlow.UNKNOWN), None
    return _far(parts, last) if name == "jalr" else (ControlFlow.NEXT, None)


def _far(parts: list[str], last: Instruction | None) -> tuple[ControlFlow, int | None]:
    """A call or jump by a register, which the instruction ahead has set to an address, or by one that is not
    followed.
    """
    flow = ControlFlow.CALL if parts[0] == "ra" else ControlFlow.JUMP
    if last is None or last.mnemonic != "auipc" or len(parts) < 2:
        return (flow if flow is ControlFlow.CALL else ControlFlow.UNKNOWN), None
    base, page = last.operands.split(", ")
    target = (last.address + (int(page, 0) << 12) + int(parts[-1], 0)) & 0xFFFF_FFFF
    return (flow, target) if base == parts[-2] else (ControlFlow.UNKNOWN, None)


def _immediate(text: str) -> int | None:
    return int(text.removeprefix("#"), 0) if text.startswith("#") else None


def _relative(text: str, address: int) -> int:
    return (address + int(text, 0)) & 0xFFFF_FFFF


def _thumb_stack(instruction: Instruction) -> int | None:
    name, operands = instruction.mnemonic.removesuffix(".w"), instruction.operands
    listed, pair = 4 * len(registers_of(operands)), operands.startswith("sp!")
    moved = re.search(r"\[sp(?:\], #|, #)(-?\w+)(?:\]!|$)", operands)
    if name.startswith(("push", "pop")) or pair:
        return listed if name.startswith(("push", "stmdb")) else -listed
    if moved and not operands.endswith("]"):
        return -int(moved[1], 0)
    if not operands.startswith("sp, ") or name.startswith(("cmp", "str", "tst")):
        return 0
    parts = operands.split(", ")
    amount = _immediate(parts[-1])
    followed = (
        amount is not None and name.startswith(("add", "sub")) and all(part == "sp" for part in parts[:-1])
    )
    return None if not followed or amount is None else amount if name.startswith("sub") else -amount


def _riscv_stack(instruction: Instruction) -> int | None:
    name, parts = instruction.mnemonic.removeprefix("c."), instruction.operands.split(", ")
    if parts[0] != "sp" or name in ("sw", "swsp", "sh", "sb", *_RISCV_BRANCHES):
        return 0
    known = name in ("addi", "addi16sp") and all(part == "sp" for part in parts[:-1])
    return -int(parts[-1], 0) if known else None
