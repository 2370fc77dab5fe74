"""How fast verify replays a bundle's frames on each emulated core, beside following every block of them, in
one run.

    python bench/verify_speed.py

The net of ``net_program.py``; its weights are drawn, not trained. Readings must be equal both ways.
"""

from __future__ import annotations

from collections.abc import Callable
from statistics import median

from measuring import Way, in_turns, ratio
from net_program import net_program

from export.c.source import emit_c
from export.compilers.toolchain import Image, build_core
from export.core.emulator import Machine
from export.cores import CORES
from export.evidence.drawing import make_vectors
from export.vectors import Vectors

FRAMES, FOLLOWED, RUNS = 20_000, 300, 3


def _replaying(machine: Machine, vectors: Vectors) -> Callable[[object], object]:
    return lambda _: machine.replay(vectors)


def _following(image: Image, vectors: Vectors) -> Callable[[object], object]:
    return lambda _: Machine(image).run(vectors)


def main() -> None:
    program = net_program()
    source, vectors = emit_c(program), make_vectors(program, FRAMES)
    few = vectors.head(FOLLOWED // vectors.stream_frames)
    print(f"{'core':14} {'flash':>6} {'cycles':>7} {'replayed/s':>11} {'followed/s':>11} {'times':>6}")
    for core in CORES.values():
        image = build_core(source, core.name)
        machine = Machine(image)
        runs = in_turns(
            {
                "replayed": Way(_replaying(machine, vectors)),
                "followed": Way(_following(image, few)),
            },
            RUNS,
        )
        readings, state = runs["replayed"].result
        if (readings != vectors.readings).any() or (state != vectors.state).any():
            raise SystemExit(f"{core.name}: readings or states differ from the interpreter's")
        replayed, followed = (
            [s / len(v) for s in runs[name].seconds] for name, v in (("replayed", vectors), ("followed", few))
        )
        cycles = int(runs["followed"].result.cycles.max())
        print(
            f"{core.name:14} {len(image.flash):6} {cycles:7} {1 / median(replayed):11.0f} "
            f"{1 / median(followed):11.0f} {ratio(followed, replayed).middle:6.1f}"
        )


if __name__ == "__main__":
    main()
