"""How fast verify replays a bundle's frames on each emulated core, beside following every block of them, in one run.

    python bench/verify_speed.py

The net of ``net_program.py``; its weights are drawn, not trained. Readings must be equal both ways.
"""

from __future__ import annotations

import time

from net_program import net_program

from export.c_source import emit_c
from export.cores import CORES
from export.emulator import Machine
from export.toolchain import build_core
from export.vectors import make_vectors

FRAMES, FOLLOWED, RUNS = 20_000, 300, 3


def main() -> None:
    program = net_program()
    source, vectors = emit_c(program), make_vectors(program, FRAMES)
    few = vectors.head(FOLLOWED // vectors.stream_frames)
    print(f"{'core':14} {'flash':>6} {'cycles':>7} {'replayed/s':>11} {'followed/s':>11} {'times':>6}")
    for core in CORES.values():
        image = build_core(source, core.name)
        machine = Machine(image)
        machine.replay(few)  # translates the code
        took = []
        for _ in range(RUNS):
            start = time.perf_counter()
            readings, state = machine.replay(vectors)
            took.append(time.perf_counter() - start)
        if (readings != vectors.readings).any() or (state != vectors.state).any():
            raise SystemExit(f"{core.name}: readings or states differ from the interpreter's")
        start = time.perf_counter()
        run = Machine(image).run(few)
        followed = len(few) / (time.perf_counter() - start)
        replayed = len(vectors) / min(took)
        print(f"{core.name:14} {len(image.flash):6} {int(run.cycles.max()):7} {replayed:11.0f} {followed:11.0f} {replayed / followed:6.1f}")


if __name__ == "__main__":
    main()
