"""Single bits of the linked code turned over, on an emulated core: what each does to readings, and whether
the chip's self-test and the vectors notice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from dataset.errors import ToolError
from export.compilers.image import Image
from export.core.emulator import HungError, Machine, RefusedError
from export.evidence.score import Progress, Share, silent
from export.vectors import Vectors

BITS, SEED = 1000, 0
REFERENCE_FRAMES = 5000
_FIRST, _MOST = 64, 2048  # frames of the first portion, and of the largest
_TIMES = 50  # as many instructions as without a break may be executed: after that it hangs


class Effect(StrEnum):
    """What a turned bit does on the reference frames."""

    NOTHING = "no reading changed"
    CHANGED = "a reading changed"
    CRASH = "crash"
    HANG = "hang"


@dataclass(frozen=True)
class TurnedBit:
    """One bit of the code: where it is, what it does, and who notices. ``by_selftest``: the self-test says
    no, or does not come back. Both are False where no reading changed.
    """

    address: int
    bit: int
    function: str
    effect: Effect
    by_selftest: bool
    by_vectors: bool


def code_bits(
    image: Image,
    vectors: Vectors,
    reference: Vectors,
    bits: int = BITS,
    seed: int = SEED,
    progress: Progress = silent,
) -> tuple[TurnedBit, ...]:
    """``bits`` bits of the code and of the helpers linked with it, drawn by ``seed``, each turned over alone.

    ``reference``: frames that no vector was drawn from, with what the interpreter makes of them. ToolError
    when the model does not pass as it is.
    """
    machine = Machine(image)
    most = _instructions(machine, reference)
    tried = _Tried(machine, vectors, reference, most)
    tried.passes()
    turned_bits = []
    for done, (address, bit) in enumerate(_drawn(image, bits, seed)):
        progress("bits of code", done, bits)
        turned_bits.append(tried.turned(address, bit))
    progress("bits of code", bits, bits)
    return tuple(turned_bits)


def share_of(turned_bits: Sequence[TurnedBit], who: str) -> Share:
    """Of the bits that change a reading, those that 'self-test' or 'vectors' notices; crashes and hangs
    apart.
    """
    counting = [t for t in turned_bits if t.effect is Effect.CHANGED]
    return Share(sum(t.by_selftest if who == "self-test" else t.by_vectors for t in counting), len(counting))


def _drawn(image: Image, bits: int, seed: int) -> list[tuple[int, int]]:
    """Address and bit of each, none twice, outside the tables."""
    start = image.flash_start
    code = [k for k in range(len(image.flash)) if start + k not in image.constants]
    picked = np.random.RandomState(seed).permutation(8 * len(code))[:bits]
    return [(start + code[k // 8], int(k % 8)) for k in picked]


def _instructions(machine: Machine, reference: Vectors) -> int:
    """A bound on the instructions of one call, far above what a frame needs."""
    blocks = machine.run(reference.rows(0, reference.stream_frames))
    return _TIMES * int(max(blocks.cycles.max(), *blocks.worst_case.values()))


@dataclass(frozen=True)
class _Tried:
    """A machine, and what it is run on."""

    machine: Machine
    vectors: Vectors
    reference: Vectors
    most: int

    def passes(self) -> None:
        """ToolError unless nothing is noticed of the code as it is."""
        effect = self._effect(self.reference)
        if effect is not Effect.NOTHING or self._selftest_notices() or self._differs(self.vectors):
            raise ToolError(
                "the model on the emulated core",
                f"as it is: {effect}",
                "the interpreter's readings and a self-test that passes",
            )

    def turned(self, address: int, bit: int) -> TurnedBit:
        """One bit turned over, tried and turned back."""
        self.machine.turn(address, bit)
        try:
            effect = self._effect(self.reference)
            counts = effect is Effect.CHANGED
            noticed = counts and self._selftest_notices()
            seen = counts and self._differs(self.vectors)
        finally:
            self.machine.turn(address, bit)
        function = self.machine.function_at(address)
        return TurnedBit(address, bit, function, effect, noticed, seen)

    def _effect(self, rows: Vectors) -> Effect:
        for part in _portions(rows):
            try:
                readings, _ = self.machine.replay_limited(part, self.most)
            except HungError:
                return Effect.HANG
            except RefusedError:  # and no reading given
                return Effect.CHANGED
            except ToolError:
                return Effect.CRASH
            if (readings != part.readings).any():
                return Effect.CHANGED
        return Effect.NOTHING

    def _differs(self, rows: Vectors) -> bool:
        """Whether a reading or a state differs, or the run doesn't end as it should."""
        for part in _portions(rows):
            try:
                readings, state = self.machine.replay_limited(part, self.most)
            except ToolError:
                return True
            if (readings != part.readings).any() or (state != part.state).any():
                return True
        return False

    def _selftest_notices(self) -> bool:
        try:
            return not self.machine.sliced_selftest(self.most)
        except ToolError:
            return True


def _portions(rows: Vectors) -> Iterator[Vectors]:
    """Whole streams, at first few, since most bits show soon."""
    frames = rows.stream_frames
    start, size = 0, max(_FIRST // frames, 1)
    while start < len(rows):
        yield rows.rows(start, min(start + size * frames, len(rows)))
        start += size * frames
        size = max(min(4 * size, _MOST // frames), 1)
