"""What a program costs on a core: its C compiled, linked and run on the emulated core."""

from __future__ import annotations

import functools

from dataset.records import Budget
from export.c_source import emit_c
from export.cores import find_core
from export.emulator import Machine
from export.toolchain import build_core
from export.vectors import make_vectors
from training.costs import Cost
from training.program import Program, from_json, to_json

_VECTORS = 256


def measure(program: Program, budget: Budget) -> Cost:
    """The cost of ``program`` on the core of ``budget``, with its multiplier and wait states.

    Flash holds every function of the interface, tables and helpers; RAM is state + prepared + scratch; stack and cycles are the
    deepest and the dearest seen on seeded vectors, corners of the domain included. Measured once per program, core and options.
    Raises ToolError for a core that is not known, and when the model cannot be built or run.
    """
    return _measured(to_json(program), find_core(budget.core).name, budget.multiplier_cycles, budget.wait_states)


@functools.lru_cache(maxsize=4096)
def _measured(text: str, core: str, multiplier_cycles: int, wait_states: int) -> Cost:
    program = from_json(text)
    image = build_core(emit_c(program), core)
    run = Machine(image, multiplier_cycles, wait_states).run(make_vectors(program, _VECTORS))
    return Cost(
        core=core, flash_code=image.code, flash_tables=image.tables, flash_helpers=image.helpers, ram=image.ram, stack=run.stack,
        cycles=int(run.cycles.max()), cycles_mean=float(run.cycles.mean()),
    )  # fmt: skip
