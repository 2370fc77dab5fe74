"""The blocks that calls on the emulated core executed, priced in batches."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from export.compilers.image import Image
from export.core.timing import Price, Timing
from training.program import Array

SIZE_BITS, BATCH = 16, 500_000

Observer = Callable[[str, list[int]], None]  # a function of the interface, and the blocks of one call of it


class Trace:
    """A block is kept as one number: its address and its size. Whether the branch at its end was taken shows
    in the next block's address.

    ``watcher`` is given the blocks of every call.
    """

    def __init__(self, uc: Any, image: Image, timing: Timing, watcher: Observer | None = None) -> None:
        self._uc, self._image, self._timing, self._watcher = uc, image, timing, watcher
        self._blocks: list[int] = []
        self._loads: list[int] = []  # blocks entered before each load from flash
        self._calls: list[
            tuple[str, int, int, int]
        ] = []  # function, frame, its first block, one past its last
        self._prices: dict[int, Price] = {}
        self._hooks: list[int] = []

    def begin(self, frames: int) -> None:
        """Start recording. Code translated before a hook was added does not call it, so it is dropped."""
        unicorn, uc = importlib.import_module("unicorn"), self._uc
        self._clear()
        self._cycles = np.zeros(frames, dtype=np.int64)
        self._worst_case: dict[str, int] = {}
        record, entered, loads = self._blocks.append, self._blocks.__len__, self._loads.append
        start, end = self._image.flash_start, self._image.flash_start + len(self._image.flash) - 1
        self._hooks = [
            uc.hook_add(
                unicorn.UC_HOOK_BLOCK,
                lambda uc, address, size, data: record(address << SIZE_BITS | size),
                begin=start,
                end=end,
            )
        ]
        if self._timing.wait_states:
            self._hooks.append(
                uc.hook_add(unicorn.UC_HOOK_MEM_READ, lambda *access: loads(entered()), begin=start, end=end)
            )
        uc.ctl_flush_tb()

    def enter(self) -> None:
        """A call begins."""
        self._start = len(self._blocks)

    def leave(self, name: str, frame: int = -1) -> None:
        """The call of ``name`` has come back; a step's cycles are kept under its frame."""
        self._calls.append((name, frame, self._start, len(self._blocks)))
        if len(self._blocks) > BATCH:
            self._settle()

    def finish(self) -> tuple[Array, dict[str, int]]:
        """Cycles of every frame's step, and of the costliest call of each function."""
        self._settle()
        for hook in self._hooks:
            self._uc.hook_del(hook)
        self._uc.ctl_flush_tb()
        return self._cycles, self._worst_case

    def _settle(self) -> None:
        """Price the calls kept so far."""
        if self._calls:
            names = [name for name, *_ in self._calls]
            frames, starts, stops = np.asarray([places for _, *places in self._calls], dtype=np.int64).T
            total = np.concatenate([[0], np.cumsum(self._priced())])
            cycles = total[stops] - total[starts]
            if self._loads:
                at = np.asarray(self._loads, dtype=np.int64)
                loads = np.searchsorted(at, stops, side="right") - np.searchsorted(at, starts, side="right")
                cycles += loads * self._timing.wait_states
            self._cycles[frames[frames >= 0]] = cycles[frames >= 0]
            for name, spent in zip(names, cycles.tolist(), strict=True):
                self._worst_case[name] = max(spent, self._worst_case.get(name, 0))
            if self._watcher is not None:
                for name, _, start, stop in self._calls:
                    self._watcher(name, self._blocks[start:stop])
        self._clear()

    def _priced(self) -> NDArray[np.int64]:
        """Cycles of every block. A block that returns from a call ends with no conditional branch, whatever
        stands behind it.
        """
        blocks = np.asarray(self._blocks, dtype=np.int64)
        kinds, which = np.unique(blocks, return_inverse=True)
        prices = [self._price(int(kind)) for kind in kinds]
        cycles, taken = (
            np.asarray(v, dtype=np.int64)[which]
            for v in ([p.cycles for p in prices], [p.taken for p in prices])
        )
        address, size = blocks >> SIZE_BITS, blocks & ((1 << SIZE_BITS) - 1)
        jumps = np.append(address[1:] != (address + size)[:-1], False)
        return np.asarray(cycles + np.where(jumps, taken, 0), dtype=np.int64)

    def _price(self, block: int) -> Price:
        if block not in self._prices:
            address, size = block >> SIZE_BITS, block & ((1 << SIZE_BITS) - 1)
            self._prices[block] = self._timing.block(self._image.content(address, size), address)
        return self._prices[block]

    def _clear(self) -> None:
        self._blocks.clear()
        self._loads.clear()
        self._calls.clear()
