"""Runs an exported model on an emulated core: readings, states, cycles of each frame, and the deepest stack.

``Machine.run`` follows every block, for cycles; ``Machine.replay`` only gives readings and states, many
frames in one call, and is far faster.

The model sees flash that cannot be written, a stack, and its own objects in RAM with painted gaps between
them. Whatever touches other memory, or an instruction that the core does not have, ends the run.
"""

from __future__ import annotations

import importlib
import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from dataset.errors import ToolError
from export.compilers.image import Image
from export.core.blocks_run import Observer, Trace
from export.core.replay_job import driver_code, packed_job
from export.core.timing import Timing
from export.cores import Core
from export.vectors import Vectors
from training.program import NO_POUR, Array

# Each apart from the others and from flash by its last 16 binary digits: by these the emulator finds pages,
# and pages that share them push each other out, which costs as much as thirty loads.
_RAM, _STACK, _STOP, _DRIVER, _DATA = 0x2000_8000, 0x2100_2000, 0x3000_B000, 0x3100_C000, 0x4000_D000
_PAGE, _STACK_SIZE = 0x1000, 0x8000
_STACK_TOP = _STACK + _STACK_SIZE
_GAP = 64  # painted bytes between objects
_PAINT = 0xA5
_WATCHED = 64  # frames whose stack pointer is read at every block
_SLICE_BYTES = 64  # of the tables, tested in one call of the sliced self-test
_PASSED, _RUNNING, _SELFTEST_SIZE = 1, 2, 4096
_CHUNK = 4096  # frames of one call of the driver, at least one stream


@dataclass(frozen=True)
class EmulatedRun:
    """What a run gave, a row a frame: ``readings`` (n, 6), ``state`` (n, state size), ``cycles`` (n,) of step
    alone.

    ``stack`` is the deepest use in bytes by any function that was called, arguments that the caller leaves on
    the stack included.
    """

    readings: Array
    state: Array
    cycles: Array
    stack: int
    worst_case: Mapping[str, int] = field(
        default_factory=dict
    )  # cycles of the costliest call of each function


class RefusedError(ToolError):
    """A trim inside its limits was refused."""


class HungError(ToolError):
    """A call executed more instructions than it was allowed."""


@dataclass(frozen=True)
class _Convention:
    """How a core's compiler calls functions: registers of the arguments, the result in the first, and the bit
    that marks code addresses.
    """

    arguments: tuple[str, ...]
    link: str
    code_bit: int


_CONVENTIONS = {
    "thumb": _Convention(("R0", "R1", "R2", "R3"), "LR", 1),
    "riscv": _Convention(tuple(f"A{k}" for k in range(8)), "RA", 0),
}


class Machine:
    """One emulated core with ``image`` in its flash.

    ``multiplier_cycles`` and ``wait_states`` are those of the budget. Methods raise ToolError when the model
    does what the core or the memory does not allow.
    """

    def __init__(
        self, image: Image, multiplier_cycles: int = 1, wait_states: int = 0, watcher: Observer | None = None
    ) -> None:
        self.image = image
        self._uc = engine(image.core)
        self._stopped = False  # by an exception, which would be taken for ever

        def stop(uc: Any, number: int, data: Any) -> None:
            self._stopped = True
            uc.emu_stop()

        self._uc.hook_add(_unicorn().UC_HOOK_INTR, stop)
        self._convention = _CONVENTIONS[image.core.isa]
        self._arguments = [register(image.core, name) for name in self._convention.arguments]
        self._link, self._sp, self._pc = (
            register(image.core, name) for name in (self._convention.link, "SP", "PC")
        )
        self._objects = _layout(image)
        self._map()
        self._trace = Trace(self._uc, image, Timing(image.core, multiplier_cycles, wait_states), watcher)
        self._lowest = _STACK_TOP
        self._counted = False
        self._most = 0  # instructions of a call; 0: as many as it takes
        self._fresh = self._uc.context_save()
        self._driver = self._mapped = (
            0  # where the driver stands, and bytes of working data, once they were asked for
        )

    def call(self, name: str, *arguments: int) -> int:
        """What a function of the interface returns in its register."""
        return self._run_at(name, self.image.symbols[f"{self.image.prefix}_{name}"], arguments)

    def _run_at(self, name: str, start: int, arguments: tuple[int, ...]) -> int:
        words, registers = [a & 0xFFFF_FFFF for a in arguments], self._arguments
        top, rest = _STACK_TOP, words[len(registers) :]
        if rest:
            top -= -(-4 * len(rest) // 8) * 8
            self._uc.mem_write(top, struct.pack(f"<{len(rest)}I", *rest))
        for register, word in zip(registers, words, strict=False):
            self._uc.reg_write(register, word)
        self._uc.reg_write(self._link, _STOP | self._convention.code_bit)
        self._uc.reg_write(self._sp, top)
        self._stopped = False
        try:
            self._uc.emu_start(start | self._convention.code_bit, _STOP, 0, self._most)
        except _unicorn().UcError as error:
            raise self._fault(name, str(error)) from error
        if self._uc.reg_read(self._pc) != _STOP:
            if self._most and not self._stopped:
                raise HungError(f"{self.image.prefix}_{name} on the emulated core", "does not come back")
            raise self._fault(name, "an exception")
        return int(self._uc.reg_read(registers[0]))

    def _fault(self, name: str, what: str) -> ToolError:
        return ToolError(
            f"{self.image.prefix}_{name} on the emulated core",
            f"{what} at {self._place()}",
            "memory of its own, instructions of the core",
        )

    def selftest(self) -> bool:
        """What the model's self-test says."""
        return bool(self.call("selftest") & 0xFF)

    def prepare(self, trim: Array) -> bool:
        """What prepare says to ``trim`` (trim size,); an empty one is passed as null."""
        if not trim.size:
            return bool(self.call("prepare", self._objects["prepared"][0], 0) & 0xFF)
        self._write("trim", self._packed(trim))
        return bool(self.call("prepare", self._objects["prepared"][0], self._objects["trim"][0]) & 0xFF)

    def step(self, counts: Array, temperature: int, faults: int, since_pour: int = NO_POUR) -> int:
        """One frame; gives the validity. Reading and state are then in their objects. ``since_pour`` goes to
        a model that is told.
        """
        self._write("counts", self._packed(counts))
        self._write("scratch", bytes([_PAINT]) * self.image.scratch_size)
        at = {name: start for name, (start, _) in self._objects.items()}
        told = (since_pour,) if self.image.told else ()
        given = (at["state"], at["prepared"], at["scratch"], at["counts"], temperature, faults, *told)
        return self.call("step", *given, at["reading"]) & 0xFF

    def object(self, name: str) -> bytes:
        """The bytes of 'state', 'prepared', 'scratch' or 'reading' as they are now."""
        return bytes(self._uc.mem_read(*self._objects[name]))

    def flip(self, byte: int, bit: int) -> None:
        """Turn over one bit of the tables in flash."""
        self.turn(self.image.symbols[f"{self.image.prefix}_tables"] + byte, bit)

    def turn(self, address: int, bit: int) -> None:
        """Turn over one bit in flash, and begin anew: registers and memory are as they were at first."""
        self._uc.mem_write(address, bytes([self._uc.mem_read(address, 1)[0] ^ (1 << bit)]))
        self._uc.context_restore(self._fresh)
        self._uc.ctl_flush_tb()
        self._uc.mem_write(_RAM, bytes([_PAINT]) * pages(self._ram))
        self._uc.mem_write(_STACK, bytes([_PAINT]) * _STACK_SIZE)

    def run(self, vectors: Vectors) -> EmulatedRun:
        """Run the vectors' inputs: every stream from power-on, frame after frame, every block followed."""
        n, width = len(vectors), vectors.state.shape[1]
        readings, states = bytearray(), bytearray()
        self._trace.begin(n)
        watch = self._watch_stack()
        for k in range(n):
            if k == _WATCHED:
                self._end_watch(watch)
            if k % vectors.stream_frames == 0:
                self._power_on(vectors.trim[k])
            self._trace.enter()
            pour = NO_POUR if vectors.since_pour is None else int(vectors.since_pour[k])
            self.step(vectors.counts[k], int(vectors.temperature[k]), int(vectors.faults[k]), pour)
            self._trace.leave("step", k)
            readings += self.object("reading")
            states += self.object("state") if width else b""
        if n <= _WATCHED:
            self._end_watch(watch)
        self._check_gaps()
        cycles, worst_case = self._trace.finish()
        state = self.image.layout.state.table(bytes(states)).reshape(n, width)
        return EmulatedRun(
            self.image.layout.reading.table(bytes(readings)), state, cycles, self.stack_used(), worst_case
        )

    def selftest_cycles(self, size: int, most: int | None = None) -> int:
        """Cycles of the dearest slice of the self-test, of slices of ``size`` bytes: of all of them to the
        answer, or of the first ``most``.
        """
        test, scratch = self._room(_SELFTEST_SIZE), self._objects["scratch"][0]
        self._trace.begin(0)
        self._traced("selftest_init", test, scratch)
        made = 1
        while self._traced("selftest_slice", test, size) & 0xFF == _RUNNING and made != most:
            made += 1
        return self._trace.finish()[1]["selftest_slice"]

    def sliced_selftest(self, most: int) -> bool:
        """What the whole self-test says, known answer included, by slices; ``most``: instructions of a slice,
        and as many slices. HungError when that is not enough.
        """
        test, scratch = self._room(_SELFTEST_SIZE), self._objects["scratch"][0]
        with self._limited(most):
            self.call("selftest_init", test, scratch)
            for _ in range(most):
                answer = self.call("selftest_slice", test, _SLICE_BYTES) & 0xFF
                if answer != _RUNNING:
                    return answer == _PASSED
        raise HungError(f"{self.image.prefix}_selftest_slice on the emulated core", "does not end")

    def replay_limited(self, vectors: Vectors, most: int) -> tuple[Array, Array]:
        """:meth:`replay`, with at most ``most`` instructions for each frame; HungError when that is not
        enough.
        """
        with self._limited(most * len(vectors)):
            return self.replay(vectors)

    @contextmanager
    def _limited(self, most: int) -> Iterator[None]:
        """Count instructions. Code translated before they were counted does not call the count, so it is
        dropped.
        """
        if not self._counted:
            self._uc.ctl_flush_tb()
            self._counted = True
        self._most = most
        try:
            yield
        finally:
            self._most = 0

    def function_at(self, address: int) -> str:
        """The name of the function that an address in flash belongs to."""
        below = [(start, name) for name, start in self.image.symbols.items() if start <= address]
        return max(below)[1] if below else ""

    def _traced(self, name: str, *arguments: int) -> int:
        self._trace.enter()
        result = self.call(name, *arguments)
        self._trace.leave(name)
        return result

    def replay(self, vectors: Vectors) -> tuple[Array, Array]:
        """Readings (n, 5) and states (n, state size) as :meth:`run` gives them, a few thousand frames in each
        call of the emulator.
        """
        streams = max(1, _CHUNK // vectors.stream_frames) * vectors.stream_frames
        parts = [
            self._replay(vectors.rows(k, min(k + streams, len(vectors))))
            for k in range(0, len(vectors), streams)
        ]
        self._check_gaps()
        return np.concatenate([readings for readings, _ in parts]), np.concatenate(
            [state for _, state in parts]
        )

    def _replay(self, vectors: Vectors) -> tuple[Array, Array]:
        image, n, objects = self.image, len(vectors), self._objects
        words = {name: -(-objects[name][1] // 4) for name in ("state", "reading")}
        row_words = sum(words.values())
        inputs = {
            "trims": self._packed(vectors.trim[:: vectors.stream_frames]),
            "counts": self._packed(vectors.counts),
            "temperatures": vectors.temperature.astype("<i4").tobytes(),
            "faults": vectors.faults.astype("<u4").tobytes(),
            "pours": b"" if vectors.since_pour is None else vectors.since_pour.astype("<i4").tobytes(),
        }
        self._start_driver()
        job = self._room(2 * _PAGE + sum(len(part) for part in inputs.values()) + 4 * n * row_words)
        places, out = self._placed(inputs, job + _PAGE)
        values = places | {name: objects[name][0] for name in ("state", "prepared", "scratch", "reading")}
        values |= {
            name: image.symbols[f"{image.prefix}_{name}"] | self._convention.code_bit
            for name in ("init", "prepare", "step")
        }
        values |= {
            "out": out,
            "frames": n,
            "stream_frames": vectors.stream_frames,
            "trim_bytes": vectors.trim.shape[1] * image.count_size,
            "counts_bytes": vectors.counts.shape[1] * image.count_size,
            "reading_words": words["reading"],
            "state_words": words["state"],
            "scratch_words": objects["scratch"][1] // 4,
        }
        self._uc.mem_write(job, packed_job(values))
        ran = self._run_at("step", self._driver, (job,))
        if ran != n:
            raise _refused(vectors.trim[ran])
        rows = np.frombuffer(self._uc.mem_read(out, 4 * n * row_words), dtype=np.uint8).reshape(n, -1)
        readings = rows[:, : objects["reading"][1]]
        states = rows[:, 4 * words["reading"] :][:, : objects["state"][1]]
        layout = image.layout
        return layout.reading.table(readings.tobytes()), layout.state.table(states.tobytes())

    def _placed(self, parts: Mapping[str, bytes], start: int) -> tuple[dict[str, int], int]:
        """Write ``parts`` from ``start`` on, each at a word; gives where each stands, and where they end."""
        places, where = dict[str, int](), start
        for name, content in parts.items():
            places[name] = where
            self._uc.mem_write(where, content)
            where += -(-len(content) // 4) * 4
        return places, where

    def _start_driver(self) -> None:
        """Put the driver in place, once."""
        code, uc, unicorn = driver_code(self.image.core, told=self.image.told), self._uc, _unicorn()
        if not self._driver:
            uc.mem_map(_DRIVER, pages(len(code)), unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
            uc.mem_write(_DRIVER, code)
            self._driver = _DRIVER

    def _room(self, size: int) -> int:
        """Where ``size`` bytes of working data may stand, apart from the model's objects."""
        missing = pages(size) - self._mapped
        if missing > 0:
            unicorn = _unicorn()
            self._uc.mem_map(_DATA + self._mapped, missing, unicorn.UC_PROT_READ | unicorn.UC_PROT_WRITE)
            self._mapped += missing
        return _DATA

    def _power_on(self, trim: Array) -> None:
        self.call("init", self._objects["state"][0])
        self._trace.enter()
        accepted = self.prepare(trim)
        self._trace.leave("prepare")
        if not accepted:
            raise _refused(trim)

    def _map(self) -> None:
        image, unicorn = self.image, _unicorn()
        read, write, execute = unicorn.UC_PROT_READ, unicorn.UC_PROT_WRITE, unicorn.UC_PROT_EXEC
        self._uc.mem_map(image.flash_start, pages(len(image.flash)), read | execute)
        self._uc.mem_write(image.flash_start, image.flash)
        self._uc.mem_map(_STACK, _STACK_SIZE, read | write)
        self._uc.mem_write(_STACK, bytes([_PAINT]) * _STACK_SIZE)
        self._ram = max(start + size for start, size in self._objects.values()) + _GAP - _RAM
        self._uc.mem_map(_RAM, pages(self._ram), read | write)
        self._uc.mem_write(_RAM, bytes([_PAINT]) * pages(self._ram))
        self._uc.mem_map(_STOP, _PAGE, read | execute)

    def _write(self, name: str, content: bytes) -> None:
        self._uc.mem_write(self._objects[name][0], content)

    def _packed(self, values: Array) -> bytes:
        return values.astype("<u2" if self.image.count_size == 2 else "<u4").tobytes()

    def _place(self) -> str:
        address = self._uc.reg_read(self._pc)
        function = self.function_at(address)
        return f"0x{address:08x} ({function})" if function else f"0x{address:08x}"

    def _watch_stack(self) -> int:
        """Read the stack pointer at every block. Code translated before a hook was added does not call it, so
        it is dropped.
        """

        def look(uc: Any, address: int, size: int, data: Any) -> None:
            self._lowest = min(self._lowest, uc.reg_read(self._sp))

        handle = int(self._uc.hook_add(_unicorn().UC_HOOK_BLOCK, look))
        self._uc.ctl_flush_tb()
        return handle

    def _end_watch(self, handle: int) -> None:
        self._uc.hook_del(handle)
        self._uc.ctl_flush_tb()

    def stack_used(self) -> int:
        """Bytes from where a caller stands to the lowest pointer seen or the lowest byte that lost its paint,
        in all calls so far.
        """
        content = np.frombuffer(bytes(self._uc.mem_read(_STACK, _STACK_SIZE)), dtype=np.uint8)
        touched = np.flatnonzero(content != _PAINT)
        painted = _STACK + int(touched[0]) if touched.size else _STACK_TOP
        return _STACK_TOP - min(self._lowest, painted)

    def _check_gaps(self) -> None:
        """Nothing may be written between the objects."""
        content = np.frombuffer(bytes(self._uc.mem_read(_RAM, pages(self._ram))), dtype=np.uint8).copy()
        for start, size in self._objects.values():
            content[start - _RAM : start - _RAM + size] = _PAINT
        spoilt = np.flatnonzero(content != _PAINT)
        if spoilt.size:
            raise ToolError(
                "the model on the emulated core",
                f"wrote to 0x{_RAM + int(spoilt[0]):08x}, outside its objects",
                "its own objects only",
            )


def _refused(trim: Array) -> RefusedError:
    return RefusedError(
        "prepare on the emulated core",
        f"refuses the trim {trim.tolist()}",
        "a trim inside the declared limits to be accepted",
    )


def _layout(image: Image) -> dict[str, tuple[int, int]]:
    """Address and bytes of each object, painted gaps between them."""
    sizes = {
        "trim": image.trim_counts * image.count_size,
        "counts": image.channels * image.count_size,
        "state": image.state_size,
        "prepared": image.prepared_size,
        "scratch": image.scratch_size,
        "reading": image.reading_size,
    }
    result, start = {}, _RAM + _GAP
    for name, size in sizes.items():
        result[name] = (start, size)
        start += -(-size // 8) * 8 + _GAP
    return result


def engine(core: Core) -> Any:
    """The emulator set to ``core``.

    The mode flag for Arm's M-class is left out: it would put another core in place of the one chosen here,
    for the smallest one a larger core that divides and loads unaligned words.
    """
    unicorn = _unicorn()
    if core.isa == "thumb":
        uc = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB)
        uc.ctl_set_cpu_model(getattr(unicorn.arm_const, core.emulated))
    else:
        uc = unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)
        uc.ctl_set_cpu_model(getattr(unicorn.riscv_const, core.emulated))
    return uc


def register(core: Core, name: str) -> int:
    return int(
        getattr(_unicorn().arm_const, f"UC_ARM_REG_{name}")
        if core.isa == "thumb"
        else getattr(_unicorn().riscv_const, f"UC_RISCV_REG_{name}")
    )


def _unicorn() -> Any:
    """The emulator, which brings no types; loaded when a machine is made."""
    importlib.import_module("unicorn.arm_const")
    importlib.import_module("unicorn.riscv_const")
    return importlib.import_module("unicorn")


def pages(size: int) -> int:
    return -(-size // _PAGE) * _PAGE
