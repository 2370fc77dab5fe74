"""Runs an exported model on an emulated core: readings, states, cycles of each frame, and the deepest stack.

The model sees flash that cannot be written, a stack, and its own objects in RAM with painted gaps between them. Whatever touches
other memory, or an instruction that the core does not have, ends the run.
"""

from __future__ import annotations

import importlib
import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dataset.errors import ToolError
from export.timing import Price, Timing
from export.toolchain import Image
from export.vectors import Vectors
from training.program import OUTPUTS, Array

_RAM, _STACK, _STOP = 0x2000_0000, 0x2100_0000, 0x3000_0000
_PAGE, _STACK_SIZE = 0x1000, 0x8000
_STACK_TOP = _STACK + _STACK_SIZE
_ARGUMENTS = 16  # what a caller of step leaves on the stack: three words, kept to 8 bytes
_GAP = 64  # painted bytes between objects
_PAINT = 0xA5
_WATCHED = 64  # frames whose stack pointer is read at every block
_SIZE_BITS, _BATCH = 16, 500_000
_READING = np.dtype([("levels", "<i4", 3), ("codes", "u1", 2), ("padding", "u1", 2)])


@dataclass(frozen=True)
class EmulatedRun:
    """What a run gave, a row a frame: ``readings`` (n, 5), ``state`` (n, state size), ``cycles`` (n,) of step alone.

    ``stack`` is the deepest use in bytes by any function that was called, arguments that the caller leaves on the stack included.
    """

    readings: Array
    state: Array
    cycles: Array
    stack: int


class Machine:
    """One emulated core with ``image`` in its flash.

    ``multiplier_cycles`` and ``wait_states`` are those of the budget. Methods raise ToolError when the model does what the core or
    the memory does not allow.
    """

    def __init__(self, image: Image, multiplier_cycles: int = 1, wait_states: int = 0) -> None:
        unicorn = _unicorn()
        arm_const = unicorn.arm_const
        self.image = image
        # The mode flag for M-class cores is left out: it would put a larger core in place of the one chosen here, which divides and
        # loads unaligned words as this one cannot.
        self._uc: Any = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB)
        self._uc.ctl_set_cpu_model(arm_const.UC_CPU_ARM_CORTEX_M0)
        self._uc.hook_add(unicorn.UC_HOOK_INTR, lambda uc, number, data: uc.emu_stop())  # an exception would be taken for ever
        self._regs = [getattr(arm_const, f"UC_ARM_REG_{name}") for name in ("R0", "R1", "R2", "R3", "LR", "SP", "PC")]
        self._objects = _layout(image)
        self._map(unicorn.UC_PROT_READ, unicorn.UC_PROT_WRITE, unicorn.UC_PROT_EXEC)
        self._trace = _Trace(self._uc, image, Timing(image.core, multiplier_cycles, wait_states))
        self._failed = unicorn.UcError
        self._lowest = _STACK_TOP

    def call(self, name: str, *arguments: int) -> int:
        """What a function of the interface returns in its register, given up to four words and more on the stack."""
        start = self.image.symbols[f"{self.image.prefix}_{name}"]
        words = [a & 0xFFFF_FFFF for a in arguments]
        top = _STACK_TOP
        if len(words) > 4:
            top -= _ARGUMENTS
            self._uc.mem_write(top, struct.pack(f"<{len(words) - 4}I", *words[4:]))
        for register, word in zip(self._regs, words[:4], strict=False):
            self._uc.reg_write(register, word)
        self._uc.reg_write(self._regs[4], _STOP | 1)
        self._uc.reg_write(self._regs[5], top)
        try:
            self._uc.emu_start(start | 1, _STOP)
        except self._failed as error:
            raise self._fault(name, str(error)) from error
        if self._uc.reg_read(self._regs[6]) != _STOP:
            raise self._fault(name, "an exception")
        return int(self._uc.reg_read(self._regs[0]))

    def _fault(self, name: str, what: str) -> ToolError:
        return ToolError(f"{self.image.prefix}_{name} on the emulated core", f"{what} at {self._place()}", "memory of its own, instructions of the core")

    def selftest(self) -> bool:
        """What the model's self-test says."""
        return bool(self.call("selftest") & 0xFF)

    def prepare(self, trim: Array) -> bool:
        """What prepare says to ``trim`` (trim size,); an empty one is passed as null."""
        if not trim.size:
            return bool(self.call("prepare", self._objects["prepared"][0], 0) & 0xFF)
        self._write("trim", self._packed(trim))
        return bool(self.call("prepare", self._objects["prepared"][0], self._objects["trim"][0]) & 0xFF)

    def step(self, counts: Array, temperature: int, faults: int) -> int:
        """One frame; gives the validity. Reading and state are then in their objects."""
        self._write("counts", self._packed(counts))
        self._write("scratch", bytes([_PAINT]) * self.image.scratch_size)
        at = {name: start for name, (start, _) in self._objects.items()}
        given = (at["state"], at["prepared"], at["scratch"], at["counts"], temperature, faults, at["reading"])
        return self.call("step", *given) & 0xFF

    def object(self, name: str) -> bytes:
        """The bytes of 'state', 'prepared', 'scratch' or 'reading' as they are now."""
        return bytes(self._uc.mem_read(*self._objects[name]))

    def flip(self, byte: int, bit: int) -> None:
        """Turn over one bit of the tables in flash."""
        address = self.image.symbols[f"{self.image.prefix}_tables"] + byte
        self._uc.mem_write(address, bytes([self._uc.mem_read(address, 1)[0] ^ (1 << bit)]))

    def run(self, vectors: Vectors) -> EmulatedRun:
        """Run the vectors' inputs: every stream from power-on, frame after frame."""
        n, width = len(vectors), vectors.state.shape[1]
        readings, states = bytearray(), bytearray()
        self._trace.begin(n)
        watch = self._watch_stack()
        for k in range(n):
            if k == _WATCHED:
                self._end_watch(watch)
            if k % vectors.stream_frames == 0:
                self._power_on(vectors.trim[k])
            self._trace.enter(k)
            self.step(vectors.counts[k], int(vectors.temperature[k]), int(vectors.faults[k]))
            self._trace.leave(k)
            readings += self.object("reading")
            states += self.object("state") if width else b""
        if n <= _WATCHED:
            self._end_watch(watch)
        self._check_gaps()
        codes = np.frombuffer(bytes(readings), dtype=_READING)
        table = np.concatenate([codes["levels"], codes["codes"]], axis=1, dtype=np.int64)
        state = self._state_values(bytes(states)).reshape(n, width)
        return EmulatedRun(table.reshape(n, len(OUTPUTS)), state, self._trace.finish(), self._stack_used())

    def _state_values(self, states: bytes) -> Array:
        """The values in copies of the state, one row a copy."""
        members = [(name, np.dtype(ctype.removesuffix("_t")), max(length, 1)) for ctype, name, length in self.image.state]
        if not members:
            return np.zeros(0, dtype=np.int64)
        copies = np.frombuffer(states, dtype=np.dtype(members, align=True))
        return np.concatenate([copies[name].reshape(len(copies), -1).astype(np.int64) for name, _, _ in members], axis=1)

    def _power_on(self, trim: Array) -> None:
        self.call("init", self._objects["state"][0])
        if not self.prepare(trim):
            raise ToolError("prepare on the emulated core", f"refuses the trim {trim.tolist()}", "a trim inside the declared limits to be accepted")

    def _map(self, read: int, write: int, execute: int) -> None:
        image = self.image
        self._uc.mem_map(image.flash_start, _pages(len(image.flash)), read | execute)
        self._uc.mem_write(image.flash_start, image.flash)
        self._uc.mem_map(_STACK, _STACK_SIZE, read | write)
        self._uc.mem_write(_STACK, bytes([_PAINT]) * _STACK_SIZE)
        self._ram = max(start + size for start, size in self._objects.values()) + _GAP - _RAM
        self._uc.mem_map(_RAM, _pages(self._ram), read | write)
        self._uc.mem_write(_RAM, bytes([_PAINT]) * _pages(self._ram))
        self._uc.mem_map(_STOP, _PAGE, read | execute)

    def _write(self, name: str, content: bytes) -> None:
        self._uc.mem_write(self._objects[name][0], content)

    def _packed(self, values: Array) -> bytes:
        return values.astype("<u2" if self.image.count_size == 2 else "<u4").tobytes()

    def _place(self) -> str:
        address = self._uc.reg_read(self._regs[6])
        below = [(start, name) for name, start in self.image.symbols.items() if start <= address]
        return f"0x{address:08x} ({max(below)[1]})" if below else f"0x{address:08x}"

    def _watch_stack(self) -> int:
        """Read the stack pointer at every block. Code translated before a hook was added does not call it, so it is dropped."""

        def look(uc: Any, address: int, size: int, data: Any) -> None:
            self._lowest = min(self._lowest, uc.reg_read(self._regs[5]))

        handle = int(self._uc.hook_add(_unicorn().UC_HOOK_BLOCK, look))
        self._uc.ctl_flush_tb()
        return handle

    def _end_watch(self, handle: int) -> None:
        self._uc.hook_del(handle)
        self._uc.ctl_flush_tb()

    def _stack_used(self) -> int:
        """From where a caller stands to the lowest pointer seen or the lowest byte that lost its paint."""
        content = np.frombuffer(bytes(self._uc.mem_read(_STACK, _STACK_SIZE)), dtype=np.uint8)
        touched = np.flatnonzero(content != _PAINT)
        painted = _STACK + int(touched[0]) if touched.size else _STACK_TOP
        return _STACK_TOP - min(self._lowest, painted)

    def _check_gaps(self) -> None:
        """Nothing may be written between the objects."""
        content = np.frombuffer(bytes(self._uc.mem_read(_RAM, _pages(self._ram))), dtype=np.uint8).copy()
        for start, size in self._objects.values():
            content[start - _RAM : start - _RAM + size] = _PAINT
        spoilt = np.flatnonzero(content != _PAINT)
        if spoilt.size:
            raise ToolError("the model on the emulated core", f"wrote to 0x{_RAM + int(spoilt[0]):08x}, outside its objects", "its own objects only")


class _Trace:
    """The blocks that each frame executed, priced in batches.

    A block is kept as one number: its address and its size. Whether the branch at its end was taken shows in the next block's
    address.
    """

    def __init__(self, uc: Any, image: Image, timing: Timing) -> None:
        unicorn = _unicorn()
        self._image, self._timing = image, timing
        self._blocks: list[int] = []
        self._loads: list[int] = []  # blocks entered before each load from flash
        self._frames: list[tuple[int, int, int]] = []  # frame, its first block, one past its last
        self._prices: dict[int, Price] = {}
        record, entered, loads = self._blocks.append, self._blocks.__len__, self._loads.append
        end = image.flash_start + len(image.flash) - 1
        uc.hook_add(unicorn.UC_HOOK_BLOCK, lambda uc, address, size, data: record(address << _SIZE_BITS | size), begin=image.flash_start, end=end)
        if timing.wait_states:
            uc.hook_add(unicorn.UC_HOOK_MEM_READ, lambda *access: loads(entered()), begin=image.flash_start, end=end)

    def begin(self, frames: int) -> None:
        self._clear()
        self._cycles = np.zeros(frames, dtype=np.int64)

    def enter(self, frame: int) -> None:
        self._start = len(self._blocks)

    def leave(self, frame: int) -> None:
        self._frames.append((frame, self._start, len(self._blocks)))
        if len(self._blocks) > _BATCH:
            self._settle()

    def finish(self) -> Array:
        self._settle()
        return self._cycles

    def _settle(self) -> None:
        """Price the frames kept so far."""
        if self._frames:
            frames, starts, stops = np.asarray(self._frames, dtype=np.int64).T
            total = np.concatenate([[0], np.cumsum(self._priced())])
            self._cycles[frames] = total[stops] - total[starts]
            if self._loads:
                at = np.asarray(self._loads, dtype=np.int64)
                loads = np.searchsorted(at, stops, side="right") - np.searchsorted(at, starts, side="right")
                self._cycles[frames] += loads * self._timing.wait_states
        self._clear()

    def _priced(self) -> NDArray[np.int64]:
        """Cycles of every block. A block that returns from step ends with no conditional branch, whatever stands behind it."""
        blocks = np.asarray(self._blocks, dtype=np.int64)
        kinds, which = np.unique(blocks, return_inverse=True)
        prices = [self._price(int(kind)) for kind in kinds]
        cycles, taken = (np.asarray(v, dtype=np.int64)[which] for v in ([p.cycles for p in prices], [p.taken for p in prices]))
        address, size = blocks >> _SIZE_BITS, blocks & ((1 << _SIZE_BITS) - 1)
        jumps = np.append(address[1:] != (address + size)[:-1], False)
        return np.asarray(cycles + np.where(jumps, taken, 0), dtype=np.int64)

    def _price(self, block: int) -> Price:
        if block not in self._prices:
            address, size = block >> _SIZE_BITS, block & ((1 << _SIZE_BITS) - 1)
            offset = address - self._image.flash_start
            self._prices[block] = self._timing.block(self._image.flash[offset : offset + size], address)
        return self._prices[block]

    def _clear(self) -> None:
        self._blocks.clear()
        self._loads.clear()
        self._frames.clear()


def _layout(image: Image) -> dict[str, tuple[int, int]]:
    """Address and bytes of each object, painted gaps between them."""
    sizes = {
        "trim": image.trim_counts * image.count_size, "counts": image.channels * image.count_size, "state": image.state_size,
        "prepared": image.prepared_size, "scratch": image.scratch_size, "reading": image.reading_size,
    }  # fmt: skip
    result, start = {}, _RAM + _GAP
    for name, size in sizes.items():
        result[name] = (start, size)
        start += -(-size // 8) * 8 + _GAP
    return result


def _unicorn() -> Any:
    """The emulator, which brings no types; loaded when a machine is made."""
    importlib.import_module("unicorn.arm_const")
    return importlib.import_module("unicorn")


def _pages(size: int) -> int:
    return -(-size // _PAGE) * _PAGE
