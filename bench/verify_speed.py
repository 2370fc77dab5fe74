"""How fast verify replays a bundle's frames on each emulated core, beside following every block of them, in
one run.

    python bench/verify_speed.py

The net of ``net_program.py``; its weights are drawn, not trained. Readings must be equal both ways. The
emulator's own rate is that of a loop which hardly touches memory, the CRC of the tables; 'of own' is the rate
of the replay beside it, in instructions, which should be of the same order on every core.
"""

from __future__ import annotations

from collections.abc import Callable
from statistics import median

from measuring import Way, in_turns, ratio
from net_program import net_program

from export.c.source import emit_c
from export.compilers.core_build import build_core
from export.compilers.image import Image
from export.core.blocks_run import SIZE_BITS
from export.core.emulator import Machine
from export.core.machine_code import Disassembler
from export.cores import CORES
from export.evidence.drawing import make_vectors
from export.vectors import Vectors

FRAMES, FOLLOWED, RUNS = 20_000, 300, 3
SLICE = 64  # bytes of the tables whose CRC is followed


def _replaying(machine: Machine, vectors: Vectors) -> Callable[[object], object]:
    return lambda _: machine.replay(vectors)


def _following(image: Image, vectors: Vectors) -> Callable[[object], object]:
    return lambda _: Machine(image).run(vectors)


def _testing(machine: Machine) -> Callable[[object], object]:
    return lambda _: machine.selftest()


class Counter:
    """Instructions of the blocks that a machine went through, by function: the most of one call."""

    def __init__(self, image: Image) -> None:
        self._image, self._disassembler = image, Disassembler(image.core)
        self.most: dict[str, int] = {}

    def __call__(self, name: str, blocks: list[int]) -> None:
        counts = {block: self._instructions(block >> SIZE_BITS, block & 0xFFFF) for block in set(blocks)}
        self.most[name] = max(sum(counts[block] for block in blocks), self.most.get(name, 0))

    def _instructions(self, address: int, size: int) -> int:
        return len(list(self._disassembler.decode(self._image.content(address, size), address)))


def _instructions(image: Image, vectors: Vectors) -> tuple[int, float]:
    """Of a step, the most, and of the CRC of all tables."""
    counter = Counter(image)
    machine = Machine(image, watcher=counter)
    machine.run(vectors)
    machine.selftest_cycles(SLICE, 2)
    return counter.most["step"], counter.most["selftest_slice"] * image.layout.tables.size / SLICE


def main() -> None:
    program = net_program()
    source, vectors = emit_c(program), make_vectors(program, FRAMES)
    few = vectors.head(FOLLOWED // vectors.stream_frames)
    print(
        f"{'core':14} {'flash':>6} {'cycles':>7} {'replayed/s':>11} {'followed/s':>11} {'times':>6} "
        f"{'of own':>7}"
    )
    for core in CORES.values():
        image = build_core(source, core.name)
        machine = Machine(image)
        runs = in_turns(
            {
                "replayed": Way(_replaying(machine, vectors)),
                "followed": Way(_following(image, few)),
                "own": Way(_testing(machine)),
            },
            RUNS,
        )
        readings, state = runs["replayed"].result
        if (readings != vectors.readings).any() or (state != vectors.state).any():
            raise SystemExit(f"{core.name}: readings or states differ from the interpreter's")
        replayed, followed = (
            [s / len(v) for s in runs[name].seconds] for name, v in (("replayed", vectors), ("followed", few))
        )
        step, crc = _instructions(image, few)
        own = crc / median(runs["own"].seconds)
        cycles = int(runs["followed"].result.cycles.max())
        print(
            f"{core.name:14} {len(image.flash):6} {cycles:7} {1 / median(replayed):11.0f} "
            f"{1 / median(followed):11.0f} {ratio(followed, replayed).middle:6.1f} "
            f"{step / median(replayed) / own:7.2f}"
        )


if __name__ == "__main__":
    main()
