"""An emulated board: the image that ``data/board.c`` makes of a model, on an emulated core whose line and
whose counter of cycles are registers in memory.

The counter follows the cycle model of the core (``export.core.timing``): every block that the image executes
is priced when it is entered.
"""

from __future__ import annotations

import importlib
import io
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from dataset.errors import ToolError
from export.c.fragments import fragments
from export.c.source import CSource
from export.c.text import fill, template
from export.compilers.core_build import link_core
from export.core.emulator import engine, pages, register
from export.core.timing import Price, Timing
from export.cores import Core, find_core

_PORT, _STACK, _STOP = 0x5000_0000, 0x2100_0000, 0x3000_0000
_SYSTICK = 0xE000_E000
_PAGE, _STACK_SIZE = 0x1000, 0x8000
_GET, _PUT, _CYCLES = 0, 4, 8
_CURRENT = 0x18  # of the system timer, from _SYSTICK on
_TOP_24 = 0xFF_FFFF
_NOTHING_YET = 0xFFFF_FFFF


class Wire(Protocol):
    """The other end of the board's line."""

    def receive(self) -> bytes:
        """The next bytes; waits for them. Empty at the end."""

    def send(self, data: bytes) -> None:
        """Send bytes."""


@dataclass(frozen=True)
class BoardImage:
    """The image of a board, linked for a core: ``flash`` at ``flash_start``, of which ``model`` bytes are the
    model's code and tables and ``board`` bytes what runs it, without the port; ``ram`` bytes from
    ``ram_start`` on.
    """

    core: Core
    flash_start: int
    flash: bytes
    entry: int
    symbols: Mapping[str, int]
    model: int
    board: int
    ram_start: int
    ram: int

    def flipped(self, address: int, bit: int) -> BoardImage:
        """The same with one bit of its flash turned over."""
        flash, at = bytearray(self.flash), address - self.flash_start
        flash[at] ^= 1 << bit
        return BoardImage(**(vars(self) | {"flash": bytes(flash)}))


def build_board(
    source: CSource, core: str = "cortex-m0plus", optimise: str = "size", defines: Sequence[str] = ()
) -> BoardImage:
    """Compile and link the board's image around ``source``. Raises ToolError when the compiler refuses it."""
    from elftools.elf.elffile import ELFFile

    chosen, prefix = find_core(core), source.prefix
    files = {
        f"{prefix}.h": source.header,
        "model.c": source.source,
        "board.c": fragments(prefix, told=source.told)[f"{prefix}_board.c"],
        "port.c": fill(
            template("board_port.c"), {"prefix": prefix, "PREFIX": prefix.upper(), "port": hex(_PORT)}
        ),
        "board.ld": template("board.ld"),
    }
    elf = ELFFile(io.BytesIO(link_core(chosen, files, optimise, defines, "board.ld", f"{prefix}_board_run")))
    sections: dict[str, Any] = {s.name: s for s in elf.iter_sections() if s["sh_size"]}
    parts = {
        name: sections[name]
        for name in (".model_code", ".model_tables", ".board", ".port", ".helpers")
        if name in sections
    }
    start = min(part["sh_addr"] for part in parts.values())
    flash = bytearray(max(part["sh_addr"] + part["sh_size"] for part in parts.values()) - start)
    for part in parts.values():
        flash[part["sh_addr"] - start : part["sh_addr"] - start + part["sh_size"]] = part.data()
    if ".data" in sections:
        raise ToolError("the board's image", "memory with values of its own", "none, which nothing would set")
    memory = sections[".bss"]
    return BoardImage(
        core=chosen,
        flash_start=start,
        flash=bytes(flash),
        entry=elf["e_entry"] & ~1,
        symbols={s.name: s["st_value"] & ~1 for s in sections[".symtab"].iter_symbols()},
        model=sum(parts[n]["sh_size"] for n in (".model_code", ".model_tables") if n in parts),
        board=parts[".board"]["sh_size"],
        ram_start=memory["sh_addr"],
        ram=memory["sh_size"],
    )


class EmulatedBoard:
    """A board with ``image`` in its flash.

    ``counts_cycles``: False for a board whose counter stands still.
    """

    def __init__(self, image: BoardImage, multiplier_cycles: int = 1, counts_cycles: bool = True) -> None:
        self.image, self._counts = image, counts_cycles
        self._timing = Timing(image.core, multiplier_cycles, 0)
        self._prices: dict[int, Price] = {}
        self._cycles = self._expected = self._taken = 0
        self._to_send, self._came = bytearray(), bytearray()
        self._wire: Wire | None = None
        self._reset = threading.Event()
        self._uc = engine(image.core)
        self._map()
        self._fresh = self._uc.context_save()

    def serve(self, wire: Wire) -> None:
        """Run from power-on until ``wire`` is at its end. ToolError when the image does what the core or the
        memory does not allow.
        """
        unicorn = importlib.import_module("unicorn")
        self._wire = wire
        while self._wire is not None:
            self._reset.clear()
            self._power_on()
            thumb = int(self.image.core.isa == "thumb")
            try:
                self._uc.emu_start(self.image.entry | thumb, _STOP)
            except unicorn.UcError as error:
                at = self._uc.reg_read(register(self.image.core, "PC"))
                raise ToolError(
                    "the emulated board",
                    f"{error} at 0x{at:08x}",
                    "memory of its own, instructions of the core",
                ) from error

    def reset(self) -> None:
        """Let the board start anew, before it takes its next byte."""
        self._reset.set()

    def _power_on(self) -> None:
        self._uc.context_restore(self._fresh)
        self._uc.mem_write(self.image.ram_start, bytes(self.image.ram))
        self._uc.reg_write(register(self.image.core, "SP"), _STACK + _STACK_SIZE)
        self._to_send.clear()
        self._came.clear()

    def _map(self) -> None:
        unicorn, uc, image = importlib.import_module("unicorn"), self._uc, self.image
        read, write, execute = unicorn.UC_PROT_READ, unicorn.UC_PROT_WRITE, unicorn.UC_PROT_EXEC
        uc.mem_map(image.flash_start, pages(len(image.flash)), read | execute)
        uc.mem_write(image.flash_start, image.flash)
        uc.mem_map(image.ram_start, pages(image.ram), read | write)
        uc.mem_map(_STACK, _STACK_SIZE, read | write)
        uc.mem_map(_STOP, _PAGE, read | execute)
        uc.mmio_map(_PORT, _PAGE, self._read, None, self._write, None)
        if image.core.isa == "thumb":
            uc.mmio_map(_SYSTICK, _PAGE, self._read_systick, None, lambda *access: None, None)
        end = image.flash_start + len(image.flash) - 1
        uc.hook_add(unicorn.UC_HOOK_BLOCK, self._block, begin=image.flash_start, end=end)

    def _block(self, uc: Any, address: int, size: int, data: Any) -> None:
        """Price a block; a conditional branch was taken where the next block is not the one behind it."""
        price = self._prices.get(address << 16 | size)
        if price is None:
            at = address - self.image.flash_start
            price = self._timing.block(self.image.flash[at : at + size], address)
            self._prices[address << 16 | size] = price
        self._cycles += price.cycles + (self._taken if address != self._expected else 0)
        self._expected, self._taken = address + size, price.taken

    def _read(self, uc: Any, offset: int, size: int, data: Any) -> int:
        if offset == _CYCLES:
            return self._cycles & 0xFFFF_FFFF if self._counts else 0
        return self._get() if offset == _GET else 0

    def _read_systick(self, uc: Any, offset: int, size: int, data: Any) -> int:
        return _TOP_24 - (self._cycles & _TOP_24) if offset == _CURRENT else 0

    def _write(self, uc: Any, offset: int, size: int, value: int, data: Any) -> None:
        if offset == _PUT:
            self._to_send.append(value & 0xFF)

    def _get(self) -> int:
        """The next byte of the line. What was put is sent before one is waited for."""
        if not self._came and self._wire is not None:
            if self._to_send:
                self._wire.send(bytes(self._to_send))
                self._to_send.clear()
            self._came += self._wire.receive()
            if not self._came:
                self._wire = None
        if self._reset.is_set() or not self._came:
            self._uc.emu_stop()
            return _NOTHING_YET
        return self._came.pop(0)
